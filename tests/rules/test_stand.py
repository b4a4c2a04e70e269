"""The stand's years, and the table of what comes before spending."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from vrx.errors import RuleError
from vrx.rules import before_spending, fix_first, fix_first_limits

NAMES = ("A", "B", "C")
K = {"potassium": np.array([70.0, 80.0, 95.0])}


def told(**more: Any) -> list[Any]:
    return list(fix_first(zone_names=NAMES, means=K, extractants={"potassium": "mehlich-3"},
                          **more))


def test_the_last_year_names_zones_above_80_ppm() -> None:
    # USDA ARS / Univ. Minnesota, 10 farms 2008-09: K may be skipped in the last year above 80 ppm.
    (last,) = told(stand_year=4, last_stand_year=4)
    assert (last.code, last.severity) == ("rules-stand-last-year", "warn")
    assert "above 80 ppm by mehlich-3 here: zones C" in last.what
    assert "never a default in the West" in last.what
    assert "rates are not changed" in last.done


def test_year_4_is_late_and_year_3_is_not() -> None:
    # Hay & Forage Grower 2603, 2810: response greatest in years 2-3 (or 1-2), nil in year 4.
    assert [one.code for one in told(stand_year=4)] == ["rules-stand-late"]
    assert told(stand_year=3, last_stand_year=5) == []
    assert told() == []
    with pytest.raises(RuleError, match="stand_year 6 lies beyond last_stand_year 5"):
        told(stand_year=6, last_stand_year=5)


def table(**more: Any) -> dict[str, str]:
    asked: dict[str, Any] = {"means": {}, "own": {}, "own_source": "", "stems_per_ft2": None,
                             "stand_year": None, "last_stand_year": None, **more}
    found = fix_first(zone_names=NAMES, extractants={}, **asked)
    items = before_spending(findings=found, limits=fix_first_limits(), **asked)
    assert [one.item for one in items] == ["Soil pH", "Soil P", "Soil B", "Stand",
                                           "Year of the stand"]
    assert all(one.source and one.rule for one in items)
    return {one.item: one.verdict for one in items}


def test_nothing_stated_is_not_known_and_never_in_order() -> None:
    assert set(table().values()) == {"not known"}


def test_each_line_of_the_table() -> None:
    low = {"ph": np.array([6.2, 7.0, 7.1])}
    assert table(means=low)["Soil pH"] == "fix first"
    assert table(means={"ph": np.array([6.5, 7.0, 7.1])})["Soil pH"] == "in order"
    assert table(means={"ph": np.array([6.9, 7.0, np.nan])})["Soil pH"] == "not known"
    p = {"phosphorus": np.array([8.0, 20.0, 30.0])}
    assert table(means=p)["Soil P"] == "not known"  # no limit is held: guides differ
    assert table(means=p, own={"phosphorus": 10.0}, own_source="guide")["Soil P"] == "fix first"
    assert table(stems_per_ft2=39.0)["Stand"] == "do not spend"
    assert table(stems_per_ft2=40.0)["Stand"] == "in order"
    assert table(stand_year=2, last_stand_year=5)["Year of the stand"] == "in order"
    assert table(stand_year=2)["Year of the stand"] == "not known"
    assert table(stand_year=5, last_stand_year=5)["Year of the stand"] == "weigh"
    assert table(stand_year=4, last_stand_year=6)["Year of the stand"] == "weigh"
