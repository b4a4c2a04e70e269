"""Surfaces, or polygons that the user drew, to machine-ready zones that cover the field."""

from vrx.zones.cells import zones_from_cells, zones_from_sectors
from vrx.zones.classes import ClassLayer, class_labels, zones_from_classes
from vrx.zones.clusters import ClusterLayer, zones_from_clusters
from vrx.zones.overlay import StripPlan, cross_zones, lay_strips
from vrx.zones.own import zone_whole_field, zones_from_map_units, zones_from_polygons
from vrx.zones.rules import MachineRules

__all__ = [
    "ClassLayer",
    "ClusterLayer",
    "MachineRules",
    "StripPlan",
    "class_labels",
    "cross_zones",
    "lay_strips",
    "zone_whole_field",
    "zones_from_cells",
    "zones_from_classes",
    "zones_from_clusters",
    "zones_from_map_units",
    "zones_from_polygons",
    "zones_from_sectors",
]
