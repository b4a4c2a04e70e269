"""The plan file's schema: every choice of one field and season, strict and frozen.

A key that is not here is an error that names the nearest one. Units stand in the key. `"?"` marks
a line still to be filled in (see `vrx.plan.load`). Options of `[need.*]` other than `book` belong
to the rule book and are checked by it.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, ClassVar, Literal, Self, get_args

from pydantic import Field, StringConstraints, model_validator

from vrx.plan.allocate import (
    Candidates,
    SeasonPlanSection,
    materials_of,
    require_materials,
    require_season_plan,
)
from vrx.plan.application import ApplicationSection
from vrx.plan.base import (
    Density,
    Depth,
    NotNegative,
    Positive,
    Section,
    Share,
    SoilKey,
    Text,
)
from vrx.plan.blends import Blends
from vrx.plan.brought import (
    CuttingSection,
    FixFirstSection,
    Manures,
    TissueSection,
    WaterSection,
)
from vrx.plan.calendar import CalendarSection
from vrx.plan.compare import CompareSection
from vrx.plan.conditions import ConditionsSection, LivestockSection
from vrx.plan.credits import CreditsSection
from vrx.plan.file_rates import FileRatesSection, require_file_rates
from vrx.plan.irrigation import IrrigationSection
from vrx.plan.layers import Layers, require_known
from vrx.plan.limits import LimitsSection
from vrx.plan.machine import ControllerSection, MachineSection
from vrx.plan.maps import SurfaceSection
from vrx.plan.money import (
    BalanceSection,
    BidSection,
    ChargesSection,
    OrderSection,
    require_used,
)
from vrx.plan.need import NeedsSection
from vrx.plan.pivot import PivotSection
from vrx.plan.points import (
    DegreesAs,
    PointOrder,
    PointsSection,
    refuse_strays,
    require_one_way,
)
from vrx.plan.response import ResponsesSection
from vrx.plan.sampling import SamplingSection
from vrx.plan.task_data import TaskDataSection
from vrx.plan.yields import YieldLogSection
from vrx.plan.zones import ZonesSection, require_layers

Tons = Annotated[float, Field(gt=0, le=20, strict=True)]


class FieldSection(Section):
    """`[field]`: the field, its boundary (a file or a pivot) and its crop."""

    name: Text
    boundary: Text | None = None
    pivot: PivotSection | None = None
    boundary_layer: Text | None = None
    boundary_name: Text | None = None
    boundary_crs: Text | None = None
    inside_polygons: Literal["cut out", "keep"] | None = None
    several: Literal["join"] | None = None
    crossing: Literal["as drawn", "outline"] | None = None
    close_gap: bool = False
    centre: tuple[float, float] | None = None
    crop: Literal["alfalfa"]
    season: Annotated[int, Field(ge=2000, le=2100, strict=True)]
    stand_year: Annotated[int, Field(ge=1, le=20, strict=True)] | None = None
    last_stand_year: Annotated[int, Field(ge=1, le=20, strict=True)] | None = None
    stems_per_ft2: NotNegative | None = None
    billed_ac: Positive | None = None

    @model_validator(mode="after")
    def _one_boundary(self) -> Self:
        if (self.boundary is None) == (self.pivot is None):
            raise ValueError('give exactly one of boundary = "<file>" and a [field.pivot] section')
        of_a_file = {"boundary_layer", "boundary_name", "boundary_crs", "inside_polygons",
                     "several", "crossing", "close_gap"} & self.model_fields_set
        if self.pivot is not None and of_a_file:
            raise ValueError(f"{min(of_a_file)} belongs to a boundary file, not to a pivot")
        return self


class AnalyteSection(Section):
    """`[soil.potassium]` and its kin: which column, in what unit, form, extractant and depth.

    In a table of one result a row `analyte_is` (with `method_is`) stands for `column`.
    """

    column: Text | None = None
    analyte_is: Text | None = None
    method_is: Text | None = None
    optional: bool = False
    unit: Text | None = None
    unit_column: Text | None = None
    form: Text | None = None
    extractant: Text | None = None
    depth_in: Depth | None = None
    depth: Text | None = None
    limit_of_detection: Positive | None = None

    @model_validator(mode="after")
    def _unit_is_stated(self) -> Self:
        if self.unit is not None and self.unit_column is not None:
            raise ValueError("give unit, or unit_column if the unit stands in a column of its own")
        if (self.column is None) == (self.analyte_is is None):
            raise ValueError("give column; or analyte_is, the words in the column of analytes, for "
                             "a table of one result a row")
        if self.method_is is not None and self.analyte_is is None:
            raise ValueError("method_is belongs to analyte_is")
        if self.depth_in is not None and self.depth_in[1] <= self.depth_in[0]:
            raise ValueError("depth_in is [top, bottom] in inches, bottom below top")
        return self


class SoilSection(Section):
    """`[soil]`: the sample table and where its points lie.

    `layout` names a file with keys of this section that a laboratory's tables share (see
    `vrx.plan.layout`); keys that stand here win.
    """

    samples: Text
    points: PointsSection | None = None
    layout: Text | None = None
    sheet: Text | None = None
    layer: Text | None = None
    crs: Text | None = None
    id_column: Text | None = None
    position_column: Text | None = None
    longitude_column: Text | None = None
    latitude_column: Text | None = None
    degrees_as: DegreesAs | None = None
    easting_column: Text | None = None
    northing_column: Text | None = None
    zone_column: Text | None = None
    longitudes_are_west: bool = False
    longitudes_are_east: bool = False
    latitudes_are_south: bool = False
    date_column: Text | None = None
    date_order: Literal["mdy", "dmy"] | None = None
    sampled_on: date | None = None
    lab: Text | None = None
    lab_column: Text | None = None
    report_number: Text | None = None
    report_column: Text | None = None
    depth_column: Text | None = None
    depth: Text | None = None
    depth_top_column: Text | None = None
    depth_bottom_column: Text | None = None
    depth_unit: Literal["in", "cm", "ft"] | None = None
    analyte_column: Text | None = None
    value_column: Text | None = None
    unit_column: Text | None = None
    method_column: Text | None = None
    reruns: Literal["mean", "last"] = "mean"
    year_column: Text | None = None
    use_year: Annotated[int, Field(ge=1950, le=2100, strict=True)] | Literal["latest"] | None = None
    point_order: PointOrder | None = None
    decimal_mark: Literal[".", ","] | None = None
    leave_out: tuple[Text, ...] = ()
    merge_within_m: NotNegative = 0.5
    keep_outside_m: NotNegative = 10.0
    only_inside: bool = False
    potassium: AnalyteSection | None = None
    sulfate: AnalyteSection | None = None
    cec: AnalyteSection | None = None
    organic_matter: AnalyteSection | None = None
    ph: AnalyteSection | None = None
    phosphorus: AnalyteSection | None = None
    boron: AnalyteSection | None = None
    magnesium: AnalyteSection | None = None
    sodium: AnalyteSection | None = None
    ec: AnalyteSection | None = None
    cuttings_hauled_since_sampling: tuple[CuttingSection, ...] = ()

    ANALYTES: ClassVar[tuple[SoilKey, ...]] = get_args(SoilKey)

    @model_validator(mode="after")
    def _forms_of_table(self) -> Self:
        refuse_strays(self.points, self.model_fields_set)
        require_one_way(self)
        long = self.analyte_column is not None
        if long != (self.value_column is not None):
            raise ValueError("a table of one result a row needs analyte_column and value_column")
        if (self.unit_column or self.method_column) and not long:
            raise ValueError("unit_column and method_column of [soil] belong to a table of one "
                             "result a row: give analyte_column and value_column, or unit_column "
                             "in the analyte's own section")
        # A result file gives each number its unit; what it is is known only once it is read.
        own_units = self.unit_column or self.samples.lower().endswith((".xml", ".json"))
        for key, one in self.analytes().items():
            if (one.analyte_is is not None) != long:
                raise ValueError(f"soil.{key}: give " + (
                    "analyte_is, the words in the column of analytes" if long else
                    "column; analyte_is needs analyte_column and value_column of [soil]"))
            if one.unit is None and one.unit_column is None and not own_units:
                raise ValueError(f"soil.{key}: give unit, or unit_column if the unit stands in a "
                                 "column of its own")
        return self

    def analytes(self) -> dict[str, AnalyteSection]:
        """The analytes that the plan reads, in a fixed order."""
        return {
            key: found for key in self.ANALYTES if (found := getattr(self, key)) is not None
        }


class YieldSection(Section):
    """`[yield_goal]`: expected hay of the season and the moisture of its tons.

    `by_zone` states the goal of each zone by its letter.
    """

    tons_per_ac: Tons
    moisture_pct: Annotated[float, Field(ge=0, lt=60, strict=True)]
    log: tuple[YieldLogSection, ...] = ()
    layers: tuple[Text, ...] = ()
    by_zone: dict[str, Tons] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _one_pattern(self) -> Self:
        if self.by_zone and (self.log or self.layers):
            raise ValueError("yields by zone come from by_zone, or from log and layers: keep one")
        return self


class PassSection(Section):
    """`[[pass]]`: one trip over the field, or one set of injection."""

    id: Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
    timing: Text
    method: Literal["broadcast", "band", "through irrigation"]
    material: Text | None = None
    materials: Candidates = ()
    serves: Literal["potassium", "sulfur"] | None = None
    rate: Literal["variable", "flat", "planned", "planned flat", "from file"] | None = None
    from_file: FileRatesSection | None = None
    rate_lb_per_ac: NotNegative | None = None
    rate_gal_per_ac: NotNegative | None = None
    share_of_need: Share | Literal["what is left"] | None = None
    label_most_lb_per_ac: Positive | None = None
    label_most_gal_per_ac: Positive | None = None
    label_most_season_gal_per_ac: Positive | None = None
    treated_ac: Positive | Literal["prescription"] | None = None
    density_lb_per_gal: Density | None = None

    @model_validator(mode="after")
    def _one_way_to_set_the_rate(self) -> Self:
        ways = [self.rate, self.rate_lb_per_ac, self.rate_gal_per_ac]
        if sum(way is not None for way in ways) != 1:
            raise ValueError(
                'give exactly one of rate = "variable", rate = "flat", rate_lb_per_ac or '
                "rate_gal_per_ac"
            )
        require_materials(self)
        require_file_rates(self)
        follows = self.rate in {"variable", "flat"}
        if follows and (self.serves is None or self.share_of_need is None):
            raise ValueError("a rate that follows the need also needs serves and share_of_need")
        return self


class PriceSection(Section):
    """`[prices]`: a price, its unit and its date."""

    usd: NotNegative
    per: Literal["short ton", "lb", "gal"]
    as_of: date | Text


class ExportSection(Section):
    """`[export]`: the files to write."""

    formats: tuple[
        Literal["shapefile", "geojson", "geopackage", "geotiff", "geoparquet", "iso11783"], ...
    ] = ("shapefile", "geojson")
    one_product_per_file: Annotated[bool, Field(strict=True)] = False
    pdf: Annotated[bool, Field(strict=True)] = False
    paper: Literal["letter", "a4"] = "letter"
    task_data: TaskDataSection = TaskDataSection()


class Plan(Section):
    """One field, one season: the whole plan file."""

    schema_number: Literal[1] = Field(alias="schema")
    units: Literal["us"] = "us"
    books: tuple[Text, ...] = ()
    materials: tuple[Text, ...] = ()
    field: FieldSection
    soil: SoilSection
    water: WaterSection | None = None
    tissue: TissueSection | None = None
    manure: Manures = ()
    fix_first: FixFirstSection | None = None
    calendar: CalendarSection | None = None
    conditions: ConditionsSection | None = None
    livestock: LivestockSection | None = None
    blends: Blends = Field(default=(), alias="blend")
    layers: Layers = Field(default=(), alias="layer")
    yield_goal: YieldSection
    surface: SurfaceSection = SurfaceSection()
    zones: ZonesSection
    need: NeedsSection
    credits: CreditsSection = CreditsSection()
    compare: CompareSection = CompareSection()
    passes: tuple[PassSection, ...] = Field(alias="pass", min_length=1)
    controller: ControllerSection = ControllerSection()
    machine: dict[str, MachineSection] = Field(default_factory=dict)
    irrigation: IrrigationSection | None = None
    season_plan: SeasonPlanSection | None = None
    limits: LimitsSection = LimitsSection()
    prices: dict[str, PriceSection] = Field(default_factory=dict)
    order: OrderSection = OrderSection()
    charges: ChargesSection = ChargesSection()
    bids: tuple[BidSection, ...] = Field(default=(), alias="bid")
    balance: BalanceSection = BalanceSection()
    export: ExportSection = ExportSection()
    sampling: SamplingSection = SamplingSection()
    application: ApplicationSection = ApplicationSection()
    response: ResponsesSection | None = None

    @model_validator(mode="after")
    def _names_fit(self) -> Self:
        require_known(self.layers, self.yield_goal.layers)
        self.surface.require_layers(self.layers)
        require_layers(self.zones, [one.name for one in self.layers])
        sulfur = self.need.sulfur
        if self.manure and sulfur is not None and "manure_s_lb_per_ac" in sulfur.options():
            raise ValueError("the manure's sulfur is given twice: keep [manure] or "
                             "manure_s_lb_per_ac of [need.sulfur]")
        ids = [one.id for one in self.passes]
        twice = sorted({name for name in ids if ids.count(name) > 1})
        if twice:
            raise ValueError(f"pass id {twice[0]!r} is used twice")
        if self.irrigation is not None:
            self.irrigation.require_one_tank(
                {name: one.tank_gal for name, one in self.machine.items()})
            self.irrigation.require_passes({one.id: one.method for one in self.passes},
                                           field_pivot=self.field.pivot is not None)
        of_pass = self.zones.rate.of_pass
        if of_pass is not None and of_pass not in ids:
            raise ValueError(f"zones.rate names the pass {of_pass!r}; the pass ids are "
                             f"{', '.join(ids)}")
        for of_passes in (self.calendar, self.conditions):
            if of_passes is not None:
                of_passes.require_passes(ids)
        self.export.task_data.require_passes(ids)
        strangers = sorted(set(self.machine) - set(ids))
        if strangers:
            raise ValueError(
                f"[machine.{strangers[0]}] fits no pass; the pass ids are {', '.join(ids)}"
            )
        require_season_plan(self.passes, self.season_plan)
        used = materials_of(self.passes)
        require_used(self.order.material, used, "order.material")
        require_used(sorted(self.prices), used, "prices")
        return self
