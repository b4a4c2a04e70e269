"""Everything that one run made, for the page, the exports and the job record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from vrx.model.by_hand import NO_EDITS, EditsSaid
from vrx.model.care import NO_CARE, Care
from vrx.model.field import Field
from vrx.model.finding import Finding
from vrx.model.fit import NO_FIT, MachineFit
from vrx.model.guide import Guide
from vrx.model.irrigation import InjectionSchedule
from vrx.model.layer import LayerReading
from vrx.model.money import NO_MONEY, Money
from vrx.model.need import Need, Yield
from vrx.model.need_beside import NOTHING_BESIDE, NeedBeside
from vrx.model.product import Material, Prescription
from vrx.model.response import ResponseSaid
from vrx.model.sampling import Knowledge
from vrx.model.soil import SoilTable
from vrx.model.surface import Surface
from vrx.model.trend import NO_PAST, Past
from vrx.model.zones import ZoneReading, Zones


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A guide, laboratory or list that numbers came from, as printed at the end of the page."""

    id: str
    title: str
    publisher: str
    year: str
    locator: str
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CropTruth:
    """What the crop takes up and what the hay removes, kept apart (lb/ac, each with its source)."""

    takes_up_k2o_lb_per_ac: float
    takes_up_s_lb_per_ac: float
    takes_up_source: str
    removes_k2o_lb_per_ac: float | None
    removes_s_lb_per_ac: float | None
    removes_source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportedFile:
    """A file of the run, path relative to the run's folder, with its SHA-256."""

    path: str
    format: str
    sha256: str
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Job:
    """The whole run of one field. `needs` is keyed by nutrient ("K2O", "S"), zones in order."""

    field: Field
    crop: str
    season: int
    expected_yield: Yield
    soil: SoilTable
    surfaces: Mapping[str, Surface]
    zones: Zones
    readings: Mapping[str, ZoneReading]
    needs: Mapping[str, tuple[Need, ...]]
    prescription: Prescription
    materials: tuple[Material, ...]
    crop_truth: CropTruth
    sources: tuple[Source, ...]
    findings: tuple[Finding, ...]
    layers: tuple[LayerReading, ...] = ()
    knowledge: tuple[Knowledge, ...] = ()
    past: Past = NO_PAST
    need_beside: NeedBeside = NOTHING_BESIDE
    guides: tuple[Guide, ...] = ()
    care: Care = NO_CARE
    money: Money = NO_MONEY
    irrigation: tuple[InjectionSchedule, ...] = ()
    responses: tuple[ResponseSaid, ...] = ()
    fit: MachineFit = NO_FIT
    edits: EditsSaid = NO_EDITS
