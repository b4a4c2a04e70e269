"""A trial's table, one row a plot: rates and yields in stated units."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vrx.intake._raise import listed, raise_stops
from vrx.intake._tests import read_tests
from vrx.intake.spec import ColumnSpec, SoilSpec
from vrx.model import Finding, FloatArray, note, stop
from vrx.units import (
    ACRE_M2,
    LB_KG,
    SHORT_TON_LB,
    k2o_from_k,
)

_KG_PER_HA = 1e4 / ACRE_M2
LB_PER_AC_PER_KG_PER_HA = 1.0 / (LB_KG * _KG_PER_HA)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialSpec:
    """What the user states of a trial's table; `rate_is` and `yield_is` as in the plan file."""

    rate_column: str
    rate_is: str
    yield_column: str
    yield_is: str
    sheet: str | None = None
    plot_column: str | None = None
    leave_out: tuple[str, ...] = ()
    decimal_mark: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialRead:
    """Plots (n,): lb/ac of oxide K2O or elemental S, and short tons/ac as weighed."""

    lb_per_ac: FloatArray
    tons_per_ac: FloatArray
    findings: tuple[Finding, ...]


def read_trial(path: Path, spec: TrialSpec, *, season: int | None = None) -> TrialRead:
    """The plots of a trial's table of any dialect.

    Plots with an empty rate or yield are left out and told. Raises `InputError` for missing
    columns and for cells that are no number of 0 or more.
    """
    columns = {"rate": ColumnSpec(column=spec.rate_column),
               "yield": ColumnSpec(column=spec.yield_column)}
    tests = read_tests(path, SoilSpec(
        columns=columns, sheet=spec.sheet, id_column=spec.plot_column, leave_out=spec.leave_out,
        decimal_mark=spec.decimal_mark), season=season)
    rates, tons = tests.numbers(spec.rate_column), tests.numbers(spec.yield_column)
    whole = np.isfinite(rates) & np.isfinite(tons)
    # A trial has no date of its own here: what is said of a test's age does not concern it.
    findings = [one for one in tests.findings if "date" not in one.code and "age" not in one.code]
    lost = [tests.names[k] for k in np.flatnonzero(~whole)]
    if lost:
        findings.append(note("trial-plot-empty", tests.table.file,
                             f"no rate or no yield: {listed(lost)}", done="these plots left out"))
    if not whole.any():
        findings.append(stop("trial-no-plot", tests.table.file, "no plot has a rate and a yield",
                             todo="check rate_column and yield_column"))
    raise_stops(findings)
    return TrialRead(lb_per_ac=rates[whole] * _rate_factor(spec.rate_is),
                     tons_per_ac=tons[whole] * _yield_factor(spec.yield_is),
                     findings=tuple(findings))


def _rate_factor(rate_is: str) -> float:
    amount, _, per = rate_is.partition("/")
    unit, form = amount.split()
    metric = LB_PER_AC_PER_KG_PER_HA if (unit, per) == ("kg", "ha") else 1.0
    return metric * (k2o_from_k(1.0) if form == "K" else 1.0)


def _yield_factor(yield_is: str) -> float:
    return 1000.0 * LB_PER_AC_PER_KG_PER_HA / SHORT_TON_LB if yield_is == "t/ha" else 1.0
