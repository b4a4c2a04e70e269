"""Whether a machine can load and follow what was made, and the sheet of its equipment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from vrx.model.care import NOT_KNOWN

FITS = "fits"
MAY_NOT = "may not"


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineLimits:
    """What the rate controller of one pass takes, as its maker or an open standard says.

    None is not stated, `inf` stated to have no limit. `narrowest_ft` is the least width of a zone,
    across the driving direction where one is stated. `takes` are formats, () not stated. `holes`,
    `parts` (zones of several parts) and `other_crs` (systems beside WGS 84) are what it loads.
    `least` and `most` bound the rates beside 0, in `unit`. `source` says who states the limits,
    `narrowest_from` who states that width.
    """

    unit: str
    least: float | None = None
    most: float | None = None
    step: float | None = None
    takes: tuple[str, ...] = ()
    most_polygons: float | None = None
    most_vertices: float | None = None
    most_vertices_polygon: float | None = None
    most_cells: float | None = None
    most_rates: float | None = None
    most_products: float | None = None
    most_name_characters: float | None = None
    narrowest_ft: float | None = None
    holes: bool | None = None
    parts: bool | None = None
    other_crs: bool | None = None
    reduce_within_ft: float | None = None
    source: str = ""
    narrowest_from: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FitLine:
    """One thing that a controller limits: what the file holds, the limit, and who states it."""

    item: str
    found: str
    limit: str
    verdict: str
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCheck:
    """One file (or folder) of one format against the machine of some passes."""

    format: str
    file: str
    pass_ids: tuple[str, ...]
    lines: tuple[FitLine, ...]

    @property
    def verdict(self) -> str:
        """`MAY_NOT` where anything breaks a limit, `FITS` where all limits are known and kept."""
        found = {line.verdict for line in self.lines}
        return MAY_NOT if MAY_NOT in found else NOT_KNOWN if NOT_KNOWN in found else FITS

    @property
    def because(self) -> tuple[str, ...]:
        """Why it may not load."""
        return tuple(f"{one.item}: {one.found}, the limit is {one.limit}" for one in self.lines
                     if one.verdict == MAY_NOT)

    @property
    def unknown(self) -> tuple[str, ...]:
        """Limits that nobody stated."""
        return tuple(one.item for one in self.lines if one.verdict == NOT_KNOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class VertexReduction:
    """What leaving corners out of one file did.

    `moved_ac` are acres that have another zone's rate, or none, than in the prescription, and
    `outside_ac` those of them beyond the field; `edge_ft` is how far an edge moved at most.
    `totals` are (pass id, unit, total of the zones, total of the file) in the unit of its material.
    """

    file: str
    vertices_before: int
    vertices_after: int
    edge_ft: float
    outline_kept: bool
    moved_ac: float
    outside_ac: float
    totals: tuple[tuple[str, str, float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineFile:
    """A file made for one machine: its folder in the run, the passes in it, its loading check."""

    name: str
    folder: str
    pass_ids: tuple[str, ...]
    reduction: VertexReduction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLine:
    """A line of the equipment sheet; `stated` is "" where the operator writes."""

    item: str
    stated: str
    verdict: str = ""
    words: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EquipmentSheet:
    """What the operator checks on the machine of one pass."""

    pass_id: str
    number: int
    material: str
    lines: tuple[SheetLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BlendPart:
    """One part of a dry blend: `sgn` is its mean particle diameter, hundredths of a millimetre."""

    name: str
    bulk_lb_per_ft3: float | None = None
    sgn: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CatchTest:
    """What was caught: pounds, gallons or fluid ounces over a width and a distance.

    Standing still, `seconds` and `speed_mph` stand for the distance. `set_rate` is what the
    controller was set to, in the unit of the material per acre.
    """

    on: date | None = None
    caught_lb: float | None = None
    caught_gal: float | None = None
    caught_oz: float | None = None
    width_ft: float | None = None
    distance_ft: float | None = None
    seconds: float | None = None
    speed_mph: float | None = None
    set_rate: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Equipment:
    """What the user states about the machine of one pass; None is not stated.

    `speed_mph` least and most; `flow_per_min` least and most gal/min or lb/min of the whole
    machine; `turndown` most over least flow of what meters; `fixed_orifice` whether it has one.
    """

    swath_ft: float | None = None
    pattern_tested_on: date | None = None
    pattern_cv_pct: float | None = None
    speed_mph: tuple[float, float] | None = None
    flow_per_min: tuple[float, float] | None = None
    turndown: float | None = None
    fixed_orifice: bool | None = None
    parts: tuple[BlendPart, ...] = ()
    catch: CatchTest | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineFit:
    """All of it, for the page and the job record; empty where there is no machine to load."""

    loads: tuple[LoadCheck, ...] = ()
    files: tuple[MachineFile, ...] = ()
    sheets: tuple[EquipmentSheet, ...] = ()


NO_FIT = MachineFit()
