"""Tables of water, plant and manure tests: `[water.table]`, `[tissue.table]`, `[manure.table]`."""

from __future__ import annotations

from datetime import date
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import NotNegative, Positive, Section, Text

Several = Literal["mean", "latest"]
Pct = Annotated[float, Field(ge=0, lt=100, strict=True)]


class TestColumnSection(Section):
    """One quantity of a test: its column (or words in the column of analytes), unit and form."""

    column: Text | None = None
    analyte_is: Text | None = None
    unit: Text | None = None
    unit_column: Text | None = None
    form: Text | None = None
    limit_of_detection: Positive | None = None
    optional: bool = False

    @model_validator(mode="after")
    def _stated_once(self) -> Self:
        if (self.column is None) == (self.analyte_is is None):
            raise ValueError("give column; or analyte_is, for a table of one result a row")
        if self.unit is not None and self.unit_column is not None:
            raise ValueError("give unit, or unit_column if the unit stands in a column of its own")
        return self


class TestTableSection(Section):
    """What all tables of tests share: the file and its columns of name and date."""

    file: Text
    sheet: Text | None = None
    id_column: Text | None = None
    date_column: Text | None = None
    date_order: Literal["mdy", "dmy"] | None = None
    sampled_on: date | None = None
    decimal_mark: Literal[".", ","] | None = None
    analyte_column: Text | None = None
    value_column: Text | None = None
    unit_column: Text | None = None
    leave_out: tuple[Text, ...] = ()

    QUANTITIES: ClassVar[tuple[str, ...]] = ()
    SHARED: ClassVar[tuple[str, ...]] = (
        "sheet", "id_column", "date_column", "date_order", "sampled_on", "decimal_mark",
        "analyte_column", "value_column", "unit_column", "leave_out")

    def quantities(self) -> dict[str, TestColumnSection]:
        """The quantities that the plan reads, in a fixed order."""
        return {key: found for key in self.QUANTITIES
                if (found := getattr(self, key)) is not None}

    @model_validator(mode="after")
    def _forms_of_table(self) -> Self:
        long = self.analyte_column is not None
        if long != (self.value_column is not None):
            raise ValueError("a table of one result a row needs analyte_column and value_column")
        for key, one in self.quantities().items():
            if (one.analyte_is is not None) != long:
                raise ValueError(f"{key}: give " + (
                    "analyte_is, the words in the column of analytes" if long else
                    "column; analyte_is needs analyte_column and value_column"))
        return self


class WaterTableSection(TestTableSection):
    """`[water.table]`: tests of one source or several; `id_column` holds the source's name."""

    net_in_of: dict[str, NotNegative] = Field(default_factory=dict)
    net_in_column: Text | None = None
    several: Several | None = None
    sulfate: TestColumnSection
    potassium: TestColumnSection | None = None
    chloride: TestColumnSection | None = None
    sodium: TestColumnSection | None = None
    ec: TestColumnSection | None = None

    QUANTITIES: ClassVar[tuple[str, ...]] = (
        "sulfate", "potassium", "chloride", "sodium", "ec")

    @model_validator(mode="after")
    def _inches_fit(self) -> Self:
        if self.net_in_column is not None and self.analyte_column is not None:
            raise ValueError("net_in_column needs a table with one row a test; give net_in_of")
        return self


class TissueTableSection(TestTableSection):
    """`[tissue.table]`: plant tests of the part and stage of `[tissue]`."""

    part_column: Text | None = None
    stage_column: Text | None = None
    zone_column: Text | None = None
    sulfur: TestColumnSection | None = None
    potassium: TestColumnSection | None = None

    QUANTITIES: ClassVar[tuple[str, ...]] = ("sulfur", "potassium")

    @model_validator(mode="after")
    def _something_read(self) -> Self:
        if not self.quantities():
            raise ValueError("give a section of sulfur or potassium")
        if self.analyte_column and (self.part_column or self.stage_column or self.zone_column):
            raise ValueError("part_column, stage_column and zone_column need a table with one row "
                             "a test")
        return self


class ManureTableSection(TestTableSection):
    """`[manure.table]`: analyses; `sample` names the row that counts, else `several`."""

    sample: Text | None = None
    several: Several | None = None
    basis: Literal["as is", "dry matter"]
    moisture_pct: Pct | None = None
    density_lb_per_gal: Positive | None = None
    sulfur: TestColumnSection
    potassium: TestColumnSection | None = None
    moisture: TestColumnSection | None = None
    dry_matter: TestColumnSection | None = None

    QUANTITIES: ClassVar[tuple[str, ...]] = (
        "sulfur", "potassium", "moisture", "dry_matter")

    @model_validator(mode="after")
    def _sample_has_names(self) -> Self:
        if self.sample is not None and self.id_column is None:
            raise ValueError("sample needs id_column, the column of the samples' names")
        return self
