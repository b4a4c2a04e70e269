"""Zones as a coverage, and what the soil reads in each."""

from __future__ import annotations

from dataclasses import dataclass

import shapely

from vrx.model.arrays import FloatArray, array_value
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
    they come from clustering.
    """

    zones: tuple[Zone, ...]
    basis: str
    findings: tuple[Finding, ...] = ()
    clusters: ClusterTable | None = None

    @property
    def area_ac(self) -> float:
        """Sum of the zones' acres."""
        return sum(zone.area_ac for zone in self.zones)


@array_value
class ZoneReading:
    """One analyte read per zone (arrays in the order of the zones).

    `mean` is the area-weighted mean of the surface, `standard_error` that of the zone mean, `low`
    and `high` the least and greatest cell in the zone.
    """

    analyte: str
    unit: str
    extractant: str
    depth_in: tuple[float, float]
    mean: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray

