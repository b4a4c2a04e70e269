"""Surfaces, or polygons that the user drew, to machine-ready zones that cover the field."""

from vrx.zones.classes import ClassLayer, class_labels, zones_from_classes
from vrx.zones.edit import (
    assign_area,
    assign_cells,
    merge_zones,
    move_corner,
    redraw_border,
    rename_zone,
    split_zone,
)
from vrx.zones.own import zone_whole_field, zones_from_polygons
from vrx.zones.rules import MachineRules
from vrx.zones.trend import Lines, means_by, resampled, verdicts, zone_lines

__all__ = [
    "ClassLayer",
    "Lines",
    "MachineRules",
    "assign_area",
    "assign_cells",
    "class_labels",
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
    "zones_from_classes",
    "zones_from_polygons",
]
