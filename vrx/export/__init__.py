"""Prescription → files that machines load; each is read back and compared before it is kept."""

from vrx.export.crew import write_crew
from vrx.export.irrigation import write_schedules
from vrx.export.layer import ExportLayer, build_layer
from vrx.export.money import write_money
from vrx.export.write import FORMATS, write_formats

__all__ = [
    "FORMATS",
    "ExportLayer",
    "build_layer",
    "write_crew",
    "write_formats",
    "write_money",
    "write_schedules",
]
