"""Yield logs -> cleaned readings, gridded harvests, relative yield and shares of zones."""

from vrx.intake.yields.clean import clean_yield
from vrx.intake.yields.grid import grid_yield, normalise_yields, zone_yield_shares
from vrx.intake.yields.read import read_yield_log, read_yield_logs
from vrx.intake.yields.spec import CleanSpec, LogColumn, PlaceColumns, YieldSpec
from vrx.intake.yields.stability import zone_stability

__all__ = [
    "CleanSpec",
    "LogColumn",
    "PlaceColumns",
    "YieldSpec",
    "clean_yield",
    "grid_yield",
    "normalise_yields",
    "read_yield_log",
    "read_yield_logs",
    "zone_stability",
    "zone_yield_shares",
]
