"""Surfaces, or polygons that the user drew, to machine-ready zones that cover the field."""

from vrx.zones._recut import edited_basis
from vrx.zones.cells import zones_from_cells, zones_from_sectors
from vrx.zones.classes import ClassLayer, class_labels, zones_from_classes
from vrx.zones.clusters import ClusterLayer, zones_from_clusters
from vrx.zones.edit import (
    assign_area,
    assign_cells,
    merge_zones,
    move_corner,
    redraw_border,
    rename_zone,
    split_zone,
)
from vrx.zones.overlay import StripPlan, cross_zones, lay_strips
from vrx.zones.own import zone_whole_field, zones_from_map_units, zones_from_polygons
from vrx.zones.rules import MachineRules
from vrx.zones.trend import Lines, means_by, resampled, verdicts, zone_lines

__all__ = [
    "ClassLayer",
    "ClusterLayer",
    "Lines",
    "MachineRules",
    "StripPlan",
    "assign_area",
    "assign_cells",
    "class_labels",
    "cross_zones",
    "edited_basis",
    "lay_strips",
    "means_by",
    "merge_zones",
    "move_corner",
    "redraw_border",
    "rename_zone",
    "resampled",
    "split_zone",
    "verdicts",
    "zone_lines",
    "zone_whole_field",
    "zones_from_cells",
    "zones_from_classes",
    "zones_from_clusters",
    "zones_from_map_units",
    "zones_from_polygons",
    "zones_from_sectors",
]
