"""Prescription → files that machines load; each is read back and compared before it is kept."""

from vrx.export.application import write_application
from vrx.export.crew import write_crew
from vrx.export.export_set import ExportSet, build_set, set_of_job
from vrx.export.irrigation import write_schedules
from vrx.export.layer import ExportLayer, build_layer
from vrx.export.money import write_money
from vrx.export.task_data import findings as task_data_findings
from vrx.export.task_options import FallbackRates, TaskDataOptions
from vrx.export.write import FORMATS, Format, require_formats, write_formats

__all__ = [
    "FORMATS",
    "ExportLayer",
    "ExportSet",
    "FallbackRates",
    "Format",
    "TaskDataOptions",
    "build_layer",
    "build_set",
    "require_formats",
    "set_of_job",
    "task_data_findings",
    "write_application",
    "write_crew",
    "write_formats",
    "write_money",
    "write_schedules",
]
