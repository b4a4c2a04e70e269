"""Soil samples to soil-test maps with their uncertainty; cross-validation; choice of method."""

from vrx.surfaces.agreement import FEWEST, agreement
from vrx.surfaces.blocks import block_krige, cell_block_krige
from vrx.surfaces.covariance import correlation, semivariance, stretched
from vrx.surfaces.drift import trend_columns
from vrx.surfaces.joint import (
    ErrorModel,
    error_model,
    kriging_area_variance,
    kriging_covariance,
)
from vrx.surfaces.kriging import (
    KrigingSystem,
    kriging_leave_one_out,
    kriging_system,
    point_krige,
)
from vrx.surfaces.local import local_krige
from vrx.surfaces.mapping import METHODS, map_analyte
from vrx.surfaces.reml import VariogramFit, fit_reml
from vrx.surfaces.variogram import experimental_variogram, fit_wls
from vrx.surfaces.zone_error import zone_standard_errors

__all__ = [
    "FEWEST",
    "METHODS",
    "ErrorModel",
    "KrigingSystem",
    "VariogramFit",
    "agreement",
    "block_krige",
    "cell_block_krige",
    "correlation",
    "error_model",
    "experimental_variogram",
    "fit_reml",
    "fit_wls",
    "kriging_area_variance",
    "kriging_covariance",
    "kriging_leave_one_out",
    "kriging_system",
    "local_krige",
    "map_analyte",
    "point_krige",
    "semivariance",
    "stretched",
    "trend_columns",
    "zone_standard_errors",
]
