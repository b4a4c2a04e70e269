"""How often a zone out-yields the field: a pattern seen once is no pattern."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely

from vrx.geo import zonal_mean
from vrx.intake._blocks import field_cells
from vrx.model import Field, Finding, LayerGrid, note, warn

FEWEST_HARVESTS = 2
STEADY_SHARE = 0.75
"""A zone is steady when this share of its harvests lie on one side of the mean (own rule)."""
_NEAR = 0.02


def zone_stability(
    *, layers: Sequence[LayerGrid], field: Field, zones: Mapping[str, shapely.Geometry]
) -> tuple[Finding, ...]:
    """For each zone, in how many harvests its mean lay above that of the field.

    Harvests whose zone mean is within 2 % of the field's mean count for neither side. A zone whose
    harvests disagree is warned of: its share of the goal is a mean of opposites. The idea, yield
    above or below the field's mean year by year, is that of Blackmore 2000, Computers and
    Electronics in Agriculture 26:37-51 (from memory); shares and limits are an own rule. Fewer than
    two harvests give one finding that says so.
    """
    if len(layers) < FEWEST_HARVESTS:
        return (note("yield-stability", "relative yield",
                     "one harvest: whether its pattern comes again is not known",
                     todo="add other cuttings or years before you trust the pattern"),)
    inside = field_cells(field, layers[0].grid)
    ratio = np.full((len(layers), len(zones)), np.nan)
    for k, layer in enumerate(layers):
        use = np.isfinite(layer.values) & inside
        if not use.any() or not float(layer.values[use].mean()) > 0:
            continue
        means, _, _ = zonal_mean(values=layer.values / float(layer.values[use].mean()),
                                 grid=layer.grid, polygons=list(zones.values()))
        ratio[k] = means
    said: list[str] = []
    fickle: list[str] = []
    for z, name in enumerate(zones):
        seen = ratio[:, z][np.isfinite(ratio[:, z])]
        above, below = int((seen > 1 + _NEAR).sum()), int((seen < 1 - _NEAR).sum())
        said.append(f"{name} above in {above}, below in {below} of {len(seen)}")
        if min(above, below) and max(above, below) < STEADY_SHARE * (above + below):
            fickle.append(name)
    what = f"zone mean against the field's mean by harvest: {'; '.join(said)}"
    findings = [note("yield-stability", "relative yield", what)]
    if fickle:
        findings.append(warn(
            "yield-unsteady", f"zone {', '.join(fickle)}",
            "yields above the field's mean in some harvests and below it in others",
            done="the mean of its harvests is used",
            todo="look for a cause (water, stand, lodging), or state one goal for all zones"))
    return tuple(findings)
