"""Zones as a coverage, and what the soil reads in each."""

from __future__ import annotations

import math
from dataclasses import dataclass

import shapely

from vrx.model.arrays import FloatArray, IntArray, array_value
from vrx.model.finding import Finding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zone:
    """One zone; `zone_id` counts north to south, then west to east, `letter` is only a label.

    `polygon` is in the field's CRS; `area_ac` are geodesic acres.
    """

    zone_id: int
    letter: str
    polygon: shapely.Polygon | shapely.MultiPolygon
    area_ac: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusterScore:
    """How well `number` clusters part the cells.

    `silhouette` (-1 to 1, more is better; of a seeded sample), `fuzziness_index` and `entropy`
    (0 to 1, less is better; of fuzzy memberships), `variance_reduction` (0 to 1) the share of the
    layers' variance that lies between the clusters.
    """

    number: int
    silhouette: float
    fuzziness_index: float
    entropy: float
    variance_reduction: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusterTable:
    """What zones were clustered from, the scores of each number, and which number was taken.

    `proposed` is what the scores point at, `used` what the user set or, without, `proposed`. Under
    `weak_silhouette` cells form no clear groups (`weak_source` says who says so).
    """

    layers: tuple[str, ...]
    way: str
    scores: tuple[ClusterScore, ...]
    proposed: int
    used: int
    reason: str
    weak_silhouette: float
    weak_source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zones:
    """A coverage of the field: no gap, no overlap, shared edges equal vertex by vertex.

    `basis` says in words what the zones were made from; `clusters` how a number was chosen, where
    they come from clustering. `highest_id` is the highest id that was ever given, 0 for that of the
    zones: ids of zones that were split or merged away stay retired.
    """

    zones: tuple[Zone, ...]
    basis: str
    findings: tuple[Finding, ...] = ()
    clusters: ClusterTable | None = None
    highest_id: int = 0

    @property
    def next_id(self) -> int:
        """The first id that no zone has or had."""
        return max(self.highest_id, *(zone.zone_id for zone in self.zones)) + 1

    @property
    def area_ac(self) -> float:
        """Sum of the zones' acres."""
        return sum(zone.area_ac for zone in self.zones)


EXPLAIN_LITTLE = 0.1
"""Zones that take away less of the samples' variance than this tell little (our choice)."""


@array_value
class ZoneReading:
    """One analyte read per zone (arrays in the order of the zones).

    `mean` is the area-weighted mean of the surface, `standard_error` that of the zone mean, `low`
    and `high` the least and greatest cell in the zone. `mean_by` says what the mean is: on a kriged
    map "block kriging" (the mean of kriged cells is the kriged mean of the block, kriging being
    linear), else "mean of the map".

    `percentiles` (3, zones) are the 10th, 50th and 90th of the map over the zone's area; a map is
    smoother than the soil, which spreads more. `class_breaks` are the limits between the classes
    of the guide or the plan, () where there are none. A zone is treated as the class of its mean:
    `outside_share` (zones,) is the share of its area that the map has in another class,
    `outside_chance` (zones,) the share where a new sample would be expected in another one.
    `samples` (zones,) counts the samples in each zone.

    `explained_map` is the share of the map's variance over the field that lies between zones.
    `explained_samples` is honest: 1 - sum of squares of samples about the mean of the other
    samples of their zone / about the mean of all others; at most 1, 0 or below where zones tell no
    more of a sample than the field mean. Both NaN where they cannot be known.
    """

    analyte: str
    unit: str
    extractant: str
    depth_in: tuple[float, float]
    mean: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray
    mean_by: str = "mean of the map"
    percentiles: FloatArray | None = None
    class_breaks: tuple[float, ...] = ()
    outside_share: FloatArray | None = None
    outside_chance: FloatArray | None = None
    samples: IntArray | None = None
    explained_map: float = math.nan
    explained_samples: float = math.nan

    @property
    def explains_little(self) -> bool:
        """Whether it is known that zones tell a sample hardly better than the field mean."""
        return math.isfinite(self.explained_samples) and self.explained_samples < EXPLAIN_LITTLE

