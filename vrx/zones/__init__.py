"""Surfaces, or polygons that the user drew, to machine-ready zones that cover the field."""

from vrx.zones.classes import ClassLayer, class_labels, zones_from_classes
from vrx.zones.own import zone_whole_field, zones_from_polygons
from vrx.zones.rules import MachineRules

__all__ = [
    "ClassLayer",
    "MachineRules",
    "class_labels",
    "zone_whole_field",
    "zones_from_classes",
    "zones_from_polygons",
]
