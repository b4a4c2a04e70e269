"""User files -> checked values, with a finding for all that was left out, changed or assumed."""

from vrx.intake._files import input_files
from vrx.intake.boundary import read_boundary
from vrx.intake.peek import (
    BoundaryPeek,
    LayerPeek,
    TablePeek,
    peek_boundary,
    peek_table,
)
from vrx.intake.polygons import read_polygons
from vrx.intake.soil import read_soil
from vrx.intake.spec import ColumnSpec, SoilSpec

__all__ = [
    "BoundaryPeek",
    "ColumnSpec",
    "LayerPeek",
    "SoilSpec",
    "TablePeek",
    "input_files",
    "peek_boundary",
    "peek_table",
    "read_boundary",
    "read_polygons",
    "read_soil",
]
