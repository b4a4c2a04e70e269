"""`[response.potassium]`, `[response.sulfur]`: what hay is known to yield at a rate, and prices."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import NotNegative, Positive, Section, Text

Form = Literal["quadratic", "quadratic-plateau", "linear-plateau", "mitscherlich", "square-root"]
Number = Annotated[float, Field(allow_inf_nan=False, strict=True)]
Moisture = Annotated[float, Field(ge=0, lt=60, strict=True)]
_TERMS = ("a", "b", "c", "join")


class TrialSection(Section):
    """`[response.<nutrient>.trial]`: a table with one row a plot.

    `rate_is` and `yield_is` state the units; no unit is taken from a heading.
    """

    file: Text
    sheet: Text | None = None
    rate_column: Text
    rate_is: Literal["lb K2O/ac", "lb K/ac", "kg K2O/ha", "kg K/ha", "lb S/ac", "kg S/ha"]
    yield_column: Text
    yield_is: Literal["ton/ac", "t/ha"]
    plot_column: Text | None = None
    leave_out: tuple[Text, ...] = ()
    decimal_mark: Literal[".", ","] | None = None


class ResponseSection(Section):
    """A yield function of one nutrient: a published one, your own figures, or a trial to fit.

    The terms a, b, c and join belong to tons/ac at `moisture_pct` and lb/ac of K2O or S. It moves
    no rate: the page sets beside the plan what the function says.
    """

    published: Text | None = None
    p2o5_lb_per_ac: NotNegative | None = None
    trial: TrialSection | None = None
    form: Form | None = None
    a: Number | None = None
    b: Number | None = None
    c: Number | None = None
    join: Number | None = None
    least_lb_per_ac: NotNegative | None = None
    most_lb_per_ac: Positive | None = None
    source: Text | None = None
    moisture_pct: Moisture
    hay_usd_per_ton: Positive
    hay_moisture_pct: Moisture
    usd_per_lb: NotNegative | None = None
    trip_usd_per_ac: NotNegative = 0.0
    zones: tuple[Text, ...] = ()

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        terms = [name for name in _TERMS if getattr(self, name) is not None]
        ways = (self.published is not None, self.trial is not None, bool(terms))
        if sum(ways) != 1:
            raise ValueError("give one of published, a trial to fit, and figures of your own "
                             "(form with a, b, c or join)")
        span = {"least_lb_per_ac", "most_lb_per_ac"} & self.model_fields_set
        if self.published is not None:
            if self.form is not None or self.source is not None or span:
                raise ValueError("form, source, least_lb_per_ac and most_lb_per_ac belong to "
                                 "figures of your own; a published function has them")
            return self
        if self.p2o5_lb_per_ac is not None:
            raise ValueError("p2o5_lb_per_ac belongs to a published function")
        if self.form is None or self.source is None:
            raise ValueError("give form and source: which equation, and whose trial")
        if self.trial is not None and span:
            raise ValueError("least_lb_per_ac and most_lb_per_ac come from the trial's own rates")
        if self.trial is None and len(span) < 2:
            raise ValueError("give least_lb_per_ac and most_lb_per_ac, the rates that were tried")
        return self

    def terms(self) -> dict[str, float]:
        """The figures that the plan gives."""
        return {name: value for name in _TERMS if (value := getattr(self, name)) is not None}


class ResponsesSection(Section):
    """`[response]`: one function a nutrient."""

    potassium: ResponseSection | None = None
    sulfur: ResponseSection | None = None

    @model_validator(mode="after")
    def _units_fit(self) -> Self:
        for name, one, letter in (("potassium", self.potassium, "K"), ("sulfur", self.sulfur, "S")):
            if one is None or one.trial is None:
                continue
            if one.trial.rate_is.split()[1][0] != letter:
                raise ValueError(f"response.{name}.trial: rate_is {one.trial.rate_is!r} is another "
                                 "nutrient")
        return self
