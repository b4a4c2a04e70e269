"""What earlier samples and other depths say of each zone."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model.arrays import FloatArray, IntArray, array_value
from vrx.model.finding import Finding

HELD, BUILT_UP, DRAWN_DOWN, CANNOT_TELL = "held", "built up", "drawn down", "cannot tell"


@array_value
class ZoneTrend:
    """The trend of one soil test per zone over the years (arrays by zone, then year).

    `samples` and `mean` are (zones, years), NaN where a zone has none. `slope` (zones,) is in the
    analyte's unit per year, from a straight line through the zone's samples; `low` and `high`
    (zones,) its 90 % interval with the noise of all zones together (`noise`, standard deviation of
    a sample about its line; `freedom` degrees). `paired`: the same places were sampled again, each
    has its own level and the noise is without what differs from place to place. The interval holds
    what differs from sample to sample, not what one whole sampling has in common (season, moisture,
    the laboratory's run).
    `verdict` (zones,) is one of "held", "built up", "drawn down", "cannot tell".
    """

    analyte: str
    unit: str
    extractant: str
    depth_in: tuple[float, float]
    years: tuple[int, ...]
    samples: IntArray
    mean: FloatArray
    slope: FloatArray
    low: FloatArray
    high: FloatArray
    noise: float
    freedom: int
    verdict: tuple[str, ...]
    paired: bool = False


@array_value
class DepthProfile:
    """Mean of one soil test by zone and depth: `samples` and `mean` are (zones, depths)."""

    analyte: str
    unit: str
    extractant: str
    depths_in: tuple[tuple[float, float], ...]
    samples: IntArray
    mean: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Past:
    """Trends and profiles of a field, and what must be said of them."""

    trends: tuple[ZoneTrend, ...] = ()
    profiles: tuple[DepthProfile, ...] = ()
    findings: tuple[Finding, ...] = ()


NO_PAST = Past()
