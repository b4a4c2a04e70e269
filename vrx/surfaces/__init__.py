"""Soil samples to soil-test maps with their uncertainty; cross-validation; choice of method."""

from vrx.surfaces.agreement import FEWEST, agreement
from vrx.surfaces.blocks import block_krige, cell_block_krige
from vrx.surfaces.covariance import correlation, semivariance, stretched
from vrx.surfaces.drift import trend_columns
from vrx.surfaces.fitting import assess, fit_variogram
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
from vrx.surfaces.local import block_means, dense_krige, local_krige
from vrx.surfaces.mapping import METHODS, map_analyte
from vrx.surfaces.reml import (
    VariogramFit,
    fit_reml,
    likelihood_ratio,
    log_likelihood,
    variance_factor,
)
from vrx.surfaces.structure import StructureTest, TrendTest, structure_test, trend_test
from vrx.surfaces.variogram import experimental_variogram, fit_wls
from vrx.surfaces.zone_error import zone_standard_errors

__all__ = [
    "FEWEST",
    "METHODS",
    "ErrorModel",
    "KrigingSystem",
    "StructureTest",
    "TrendTest",
    "VariogramFit",
    "agreement",
    "assess",
    "block_krige",
    "block_means",
    "cell_block_krige",
    "correlation",
    "dense_krige",
    "error_model",
    "experimental_variogram",
    "fit_reml",
    "fit_variogram",
    "fit_wls",
    "kriging_area_variance",
    "kriging_covariance",
    "kriging_leave_one_out",
    "kriging_system",
    "likelihood_ratio",
    "local_krige",
    "log_likelihood",
    "map_analyte",
    "point_krige",
    "semivariance",
    "stretched",
    "structure_test",
    "trend_columns",
    "trend_test",
    "variance_factor",
    "zone_standard_errors",
]
