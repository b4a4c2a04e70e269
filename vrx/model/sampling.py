"""Where the soil is known well enough, where it is not, and where a crew is to take samples."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model.arrays import FloatArray, IntArray, array_value
from vrx.model.field import Grid
from vrx.model.finding import Finding

SURE, NOT_SURE, SAMPLE_HERE = 0, 1, 2


@array_value
class Knowledge:
    """How sure one analyte's side of its critical values is.

    `critical` (c,) rising, in `unit`. `below` (c, rows, columns) is the probability, 0 to 1, that
    the true soil test of a cell is below each; `zone_below` (c, zones) that of a zone's mean.
    `word` (rows, columns) is SURE, NOT_SURE or SAMPLE_HERE, -1 outside the field; `acres` are those
    of the three words and sum to the field's. `right` (rows, columns) is the probability that a
    cell lies in the class that it is mapped in. `sampled_by` says how a sample would help there
    ("" where no variogram tells). `basis` says in words how the probabilities were made.
    """

    analyte: str
    unit: str
    grid: Grid
    critical: tuple[float, ...]
    below: FloatArray
    zone_below: FloatArray
    right: FloatArray
    word: IntArray
    acres: tuple[float, float, float]
    sure_from: float
    third_word: bool
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewPoint:
    """One numbered place of a sampling crew, in walking order from 1.

    Metres in the field's CRS, degrees on WGS 84. `zone` is a letter or "". `why` says in words what
    the point is for. `gain_lb` is the fall in expected misapplied product that the point brings
    when the points ranked before it are taken, None for a layout. `soil` asks for a soil sample
    here, `plants` for a plant sample, `second_bag` for a second composite of soil at the same place
    under a label of its own.
    """

    number: int
    easting_m: float
    northing_m: float
    longitude: float
    latitude: float
    zone: str
    why: str
    rank: int | None = None
    gain_lb: float | None = None
    soil: bool = True
    plants: bool = False
    second_bag: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BagLabel:
    """What stands on one bag; the date is left for the crew."""

    bag: str
    field: str
    number: int
    what: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrewPlan:
    """All that a sampling crew is handed.

    `start` is where the walk begins, longitude and latitude, `start_m` the same in the field's CRS,
    and `start_words` which corner or gate that is; `walk_m` is the open path from there through
    all points in their order, `unsorted_walk_m` in the order that they were found. `depths_in` are
    (top, bottom) of each bag of soil in inches. `plant_words` says part and stage of a plant sample
    ("" if none is asked for). `taken` samples there are already, counted in `ac_per_sample`.
    """

    field_name: str
    layout: str
    points: tuple[CrewPoint, ...]
    labels: tuple[BagLabel, ...]
    depths_in: tuple[tuple[float, float], ...]
    cores: int
    core_radius_ft: float
    practice: tuple[str, ...]
    plant_words: str
    start: tuple[float, float]
    start_m: tuple[float, float]
    start_words: str
    walk_m: float
    unsorted_walk_m: float
    ac_per_sample: float
    cautions: tuple[str, ...]
    taken: int = 0
    findings: tuple[Finding, ...] = ()
