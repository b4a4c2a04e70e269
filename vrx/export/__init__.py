"""Prescription → files that machines load; each is read back and compared before it is kept."""

from vrx.export.application import write_application
from vrx.export.crew import write_crew
from vrx.export.export_set import ExportSet, build_set, set_of_job
from vrx.export.geotiff import findings as geotiff_findings
from vrx.export.irrigation import write_schedules
from vrx.export.layer import ExportLayer, build_layer
from vrx.export.loading import load_checks, load_findings
from vrx.export.machine_files import (
    PlannedFile,
    machine_formats,
    plan_machine_files,
    write_machine_files,
)
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
    "PlannedFile",
    "TaskDataOptions",
    "build_layer",
    "build_set",
    "geotiff_findings",
    "load_checks",
    "load_findings",
    "machine_formats",
    "plan_machine_files",
    "require_formats",
    "set_of_job",
    "task_data_findings",
    "write_application",
    "write_crew",
    "write_formats",
    "write_machine_files",
    "write_money",
    "write_schedules",
]
