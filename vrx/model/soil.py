"""Soil samples after intake: one place each, one unit and one form an analyte."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from vrx.model.arrays import FloatArray, IntArray, array_value
from vrx.model.finding import Finding


@array_value
class SoilColumn:
    """One analyte of all samples, in the unit and form of `vrx.model.columns.ANALYTES`.

    `values` is (samples,), NaN where missing. `censored` is (samples,): -1 below the laboratory's
    limit (the value is then half of it), 1 above it (the value is the limit), 0 measured: maps take
    them as bounds. `source` says what stood in the file ("K_M3, ppm K").
    """

    analyte: str
    values: FloatArray
    censored: IntArray
    extractant: str
    depth_in: tuple[float, float]
    source: str


@array_value
class SoilTable:
    """Sample points in the field's CRS and their readings.

    Arrays are (samples,). `sampled_on` holds ISO dates or "". `columns` maps analyte key to
    `SoilColumn`. Places are unique: duplicates have been merged with a finding. `years` and
    `depths` are all years, and depths as written, that the file has for this field, where one was
    chosen and there are others; the samples are of the chosen one.
    """

    file: str
    sample_id: tuple[str, ...]
    easting_m: FloatArray
    northing_m: FloatArray
    columns: Mapping[str, SoilColumn]
    sampled_on: tuple[str, ...]
    lab: str
    report_number: str
    findings: tuple[Finding, ...] = ()
    years: tuple[str, ...] = ()
    depths: tuple[str, ...] = ()

    def measured(self, analyte: str) -> tuple[FloatArray, FloatArray]:
        """Places (n, 2) as easting, northing, and values (n,) where the analyte is not missing."""
        values = self.columns[analyte].values
        have = ~np.isnan(values)
        places = np.column_stack([self.easting_m, self.northing_m])
        return places[have], values[have]


def frozen_mapping(columns: dict[str, SoilColumn]) -> Mapping[str, SoilColumn]:
    """A read-only view that a frozen value may hold."""
    return MappingProxyType(dict(columns))
