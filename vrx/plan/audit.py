"""The file of what is stated for an audit: columns, products, tables, tolerances."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from vrx.errors import PlanError
from vrx.plan.base import Positive, Section, Text
from vrx.plan.load import describe, read_document

RateUnit = Literal["lb/ac", "gal/ac", "kg/ha", "L/ha", "kg/ac"]
AmountUnit = Literal["lb", "short ton", "gal", "kg", "t", "L"]
Pct = Annotated[float, Field(ge=0, lt=100, strict=True)]
_ANALYSIS = re.compile(r"(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)(?:-(\d+(?:\.\d+)?)S)?")


class ColumnSection(Section):
    """What a column of rates holds."""

    product: Text | None = None
    unit: RateUnit | None = None


class ProductSection(Section):
    """Analysis as printed, N-P2O5-K2O with sulfur as "0-0-25-17S", and pounds in a gallon."""

    analysis: Text | None = None
    density_lb_per_gal: Positive | None = None

    @model_validator(mode="after")
    def _whole(self) -> ProductSection:
        if self.analysis is not None:
            named = _ANALYSIS.fullmatch(self.analysis)
            if named is None:
                raise ValueError(f"analysis {self.analysis!r} is not written like 0-0-25-17S")
            if sum(float(one or 0) for one in named.groups()) > 100:
                raise ValueError(f"analysis {self.analysis!r} is more than 100 percent")
        return self

    @property
    def pct(self) -> dict[str, float] | None:
        """Mass percent by nutrient, None where no analysis is stated."""
        named = _ANALYSIS.fullmatch(self.analysis or "")
        if named is None:
            return None
        return dict(zip(("N", "P2O5", "K2O", "S"), (float(one or 0) for one in named.groups()),
                        strict=True))


class TableSection(Section):
    """A CSV and what its columns are; the path counts from the file that names it."""

    file: Text
    product_column: Text
    amount_column: Text | None = None
    gross_column: Text | None = None
    tare_column: Text | None = None
    returned_column: Text | None = None
    unit: AmountUnit | None = None
    unit_column: Text | None = None
    number_column: Text | None = None
    usd_column: Text | None = None
    usd_per_unit_column: Text | None = None
    names: dict[str, Text] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _one_way(self) -> TableSection:
        weighed = self.gross_column is not None and self.tare_column is not None
        half = (self.gross_column is None) != (self.tare_column is None)
        if half or (self.amount_column is not None) == weighed:
            raise ValueError("states the amount as amount_column, or as gross_column and "
                             "tare_column")
        if (self.unit is None) == (self.unit_column is None):
            raise ValueError("states the unit of the amounts as unit, or as unit_column")
        return self


class AuditStatement(Section):
    """All that is stated beside the files that are judged."""

    add_up: bool = False
    column: dict[str, ColumnSection] = Field(default_factory=dict)
    product: dict[str, ProductSection] = Field(default_factory=dict)
    order: TableSection | None = None
    tickets: TableSection | None = None
    invoice: TableSection | None = None
    tolerance_pct: dict[str, Pct] = Field(default_factory=dict)


def load_statement(path: Path) -> AuditStatement:
    """The file that states things. Raises `PlanError` with key, value and the rule broken."""
    if not os.path.isfile(path):
        raise PlanError("there is no such file", code="audit-stated-missing", where=str(path),
                        hint="vrx audit --help says what it holds")
    document = read_document(path)
    try:
        return AuditStatement.model_validate(document)
    except ValidationError as err:
        text = "; ".join(
            describe(one, root=AuditStatement) for one in err.errors(include_url=False))
        raise PlanError(text, code="audit-stated-value", where=str(path),
                        hint="the README, section on the audit, lists all keys") from err
