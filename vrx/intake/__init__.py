"""User files -> checked values, with a finding for all that was left out, changed or assumed."""

from vrx.intake._files import input_files
from vrx.intake._heading import Fact
from vrx.intake._odd_degrees import codes_of_places
from vrx.intake._on_earth import in_words
from vrx.intake.applied_log import AppliedSpec, AppliedTotals, applied_totals
from vrx.intake.boundary import read_boundary
from vrx.intake.history import NO_HISTORY, SoilHistory, read_history
from vrx.intake.manure import ManureRead, ManureSpec, read_manure
from vrx.intake.peek import (
    BoundaryPeek,
    LayerPeek,
    TablePeek,
    peek_boundary,
    peek_table,
)
from vrx.intake.pivot import pivot_boundary, read_exclusions
from vrx.intake.point_layer import PointSpec, read_point_layer
from vrx.intake.polygons import read_polygons
from vrx.intake.positions import judge_places
from vrx.intake.propose import Proposal, TableProposal, propose_columns
from vrx.intake.raster_layer import raster_files, read_raster_layer
from vrx.intake.raster_peek import BandPeek, RasterPeek, looks_like_raster, peek_raster
from vrx.intake.soil import read_soil
from vrx.intake.spec import ColumnSpec, PointsSpec, SoilSpec
from vrx.intake.task_grid import TaskGrid, read_task_grids
from vrx.intake.time_log import AppliedPoints, LoggedValue, TimeLog, read_time_logs
from vrx.intake.tissue import TissueRead, TissueSpec, read_tissue
from vrx.intake.trial import TrialRead, TrialSpec, read_trial
from vrx.intake.water import WaterRead, WaterSpec, read_water
from vrx.intake.yields import (
    CleanSpec,
    LogColumn,
    PlaceColumns,
    YieldSpec,
    clean_yield,
    grid_yield,
    normalise_yields,
    read_yield_log,
    read_yield_logs,
    zone_stability,
    zone_yield_shares,
)

__all__ = [
    "NO_HISTORY",
    "AppliedPoints",
    "AppliedSpec",
    "AppliedTotals",
    "BandPeek",
    "BoundaryPeek",
    "CleanSpec",
    "ColumnSpec",
    "Fact",
    "LayerPeek",
    "LogColumn",
    "LoggedValue",
    "ManureRead",
    "ManureSpec",
    "PlaceColumns",
    "PointSpec",
    "PointsSpec",
    "Proposal",
    "RasterPeek",
    "SoilHistory",
    "SoilSpec",
    "TablePeek",
    "TableProposal",
    "TaskGrid",
    "TimeLog",
    "TissueRead",
    "TissueSpec",
    "TrialRead",
    "TrialSpec",
    "WaterRead",
    "WaterSpec",
    "YieldSpec",
    "applied_totals",
    "clean_yield",
    "codes_of_places",
    "grid_yield",
    "in_words",
    "input_files",
    "judge_places",
    "looks_like_raster",
    "normalise_yields",
    "peek_boundary",
    "peek_raster",
    "peek_table",
    "pivot_boundary",
    "propose_columns",
    "raster_files",
    "read_boundary",
    "read_exclusions",
    "read_history",
    "read_manure",
    "read_point_layer",
    "read_polygons",
    "read_raster_layer",
    "read_soil",
    "read_task_grids",
    "read_time_logs",
    "read_tissue",
    "read_trial",
    "read_water",
    "read_yield_log",
    "read_yield_logs",
    "zone_stability",
    "zone_yield_shares",
]
