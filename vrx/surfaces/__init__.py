"""Soil samples to soil-test maps with their uncertainty; cross-validation; choice of method."""

from vrx.surfaces.agreement import FEWEST, agreement
from vrx.surfaces.allowance import with_allowance
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
from vrx.surfaces.judging import Judgement, LeftOut, judge_variogram, judgement_findings
from vrx.surfaces.kriging import (
    KrigingSystem,
    kriging_leave_one_out,
    kriging_system,
    point_krige,
)
from vrx.surfaces.local import block_means, dense_krige, local_krige
from vrx.surfaces.mapping import METHODS, map_analyte
from vrx.surfaces.outliers import (
    OutlierRefit,
    outlier_refit_finding,
    refit_without_outliers,
)
from vrx.surfaces.reml import (
    VariogramFit,
    fit_reml,
    likelihood_ratio,
    log_likelihood,
    variance_factor,
)
from vrx.surfaces.structure import StructureTest, TrendTest, structure_test, trend_test
from vrx.surfaces.telling import describe
from vrx.surfaces.variogram import experimental_variogram, fit_wls
from vrx.surfaces.zone_error import zone_standard_errors
from vrx.surfaces.zone_values import (
    chance_outside,
    explained_of_map,
    explained_of_samples,
    mean_is,
    share_outside,
    zone_percentiles,
)

__all__ = [
    "FEWEST",
    "METHODS",
    "ErrorModel",
    "Judgement",
    "KrigingSystem",
    "LeftOut",
    "OutlierRefit",
    "StructureTest",
    "TrendTest",
    "VariogramFit",
    "agreement",
    "assess",
    "block_krige",
    "block_means",
    "cell_block_krige",
    "chance_outside",
    "correlation",
    "dense_krige",
    "describe",
    "error_model",
    "experimental_variogram",
    "explained_of_map",
    "explained_of_samples",
    "fit_reml",
    "fit_variogram",
    "fit_wls",
    "judge_variogram",
    "judgement_findings",
    "kriging_area_variance",
    "kriging_covariance",
    "kriging_leave_one_out",
    "kriging_system",
    "likelihood_ratio",
    "local_krige",
    "log_likelihood",
    "map_analyte",
    "mean_is",
    "outlier_refit_finding",
    "point_krige",
    "refit_without_outliers",
    "semivariance",
    "share_outside",
    "stretched",
    "structure_test",
    "trend_columns",
    "trend_test",
    "variance_factor",
    "with_allowance",
    "zone_percentiles",
    "zone_standard_errors",
]
