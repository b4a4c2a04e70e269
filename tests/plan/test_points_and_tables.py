"""`[soil.points]` and tables of tests in the plan: what contradicts itself is refused."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from vrx.plan import ManureSection, PointsSection, SoilSection, TissueSection, WaterSection

K = {"column": "K", "unit": "ppm"}
POINTS = {"file": "p.csv", "id_column": "Name"}
SULFATE = {"column": "SO4", "unit": "mg/L", "form": "SO4"}


@pytest.mark.parametrize("stray", [{"crs": "EPSG:32615"}, {"longitudes_are_west": True},
                                   {"zone_column": "Z"}])
def test_keys_of_positions_stand_with_the_points(stray: dict[str, object]) -> None:
    given = {"samples": "s.csv", "potassium": K, "points": POINTS}
    assert SoilSection.model_validate(given).points is not None
    with pytest.raises(ValidationError, match=r"stated in \[soil.points\]"):
        SoilSection.model_validate({**given, **stray})
    SoilSection.model_validate({**given, **stray, "points": {**POINTS, "over_own_positions": True}})


@pytest.mark.parametrize("ways", [["exact", "ignore case"], ["alike"],
                                  ["dates as month-day", "dates as day-month"]])
def test_ways_of_matching_that_contradict(ways: list[str]) -> None:
    with pytest.raises(ValidationError):
        PointsSection.model_validate({**POINTS, "id_match": ways})


@pytest.mark.parametrize(
    ("water", "words"),
    [
        ({}, "net_in"),
        ({"net_in": 3.0}, "give one of sulfate_so4_ppm"),
        ({"table": {"file": "w.csv"}}, "sulfate"),
        ({"table": {"file": "w.csv", "sulfate": SULFATE}}, "one of net_in"),
        ({"net_in": 3.0, "table": {"file": "w.csv", "sulfate": SULFATE, "net_in_column": "N"}},
         "one of net_in"),
        ({"net_in": 3.0, "chloride_ppm": 3.0, "table": {"file": "w.csv", "sulfate": SULFATE}},
         "keep one"),
        ({"net_in": 3.0, "table": {"file": "w.csv", "sulfate": {"unit": "mg/L"}}}, "give column"),
        ({"net_in": 3.0, "table": {"file": "w.csv", "sulfate": {**SULFATE, "unit_column": "U"}}},
         "give unit, or unit_column"),
        ({"net_in": 3.0, "table": {"file": "w.csv", "analyte_column": "A", "sulfate": SULFATE}},
         "analyte_column and value_column"),
    ],
)
def test_water_is_stated_once(*, water: dict[str, object], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        WaterSection.model_validate(water)


def test_plants_and_manure_are_stated_once() -> None:
    sulfur = {"column": "S", "unit": "%", "form": "S"}
    table = {"file": "t.csv", "sulfur": sulfur}
    plants = {"part": "top 6 in", "stage": "bud", "table": table}
    assert TissueSection.model_validate(plants).table is not None
    with pytest.raises(ValidationError, match="keep one"):
        TissueSection.model_validate({**plants, "sulfur_pct": 0.2})
    with pytest.raises(ValidationError, match="sulfur or potassium"):
        TissueSection.model_validate({**plants, "table": {"file": "t.csv"}})
    manure = {"tons_per_ac": 4.0, "table": {**table, "basis": "as is"}}
    assert ManureSection.model_validate(manure).table is not None
    for wrong, words in (({"s_lb_per_ton": 3.0}, "keep one"),
                         ({"gal_per_ac": 3.0}, "or gal_per_ac"),
                         ({"table": table}, "basis"),
                         ({"table": {**table, "basis": "as is", "sample": "N"}}, "id_column")):
        with pytest.raises(ValidationError, match=words):
            ManureSection.model_validate({**manure, **wrong})
