"""The loader of the catalogue, the look-up of codes, and the order in which findings are shown."""

from __future__ import annotations

import pytest

from vrx.formats import catalogue
from vrx.model import note, stop, warn


def test_entries_are_frozen_and_complete() -> None:
    every = catalogue.catalogue()
    assert len(every.codes) > 400
    one = every.codes["pass-s-ceiling"]
    assert one.weight == "safety"
    assert one.severity == ("warn",)
    with pytest.raises(AttributeError):
        one.weight = "note"  # type: ignore[misc]
    with pytest.raises(TypeError):
        every.codes["x"] = one  # type: ignore[index]


@pytest.mark.parametrize(
    ("change", "words"),
    [({"weight": "heavy"}, "weight"), ({"severity": []}, "severity"), ({"severity": "note"}, "sev"),
     ({"meaning": 3}, "text"), ({"more": ""}, "exactly")],
)
def test_a_wrong_entry_is_refused(change: dict[str, object], words: str) -> None:
    good = {"room": "zones", "severity": ["note"], "weight": "note", "meaning": "A.",
            "remedy": "B."}
    assert catalogue._entry("zones-x", good).room == "zones"
    with pytest.raises(ValueError, match=f"zones-x.*{words}"):
        catalogue._entry("zones-x", {**good, **change})


def test_codes_are_found_by_name_beginning_and_room() -> None:
    assert [one.code for one in catalogue.find_codes("zip-broken")] == ["zip-broken"]
    assert all(one.code.startswith("zone-") for one in catalogue.find_codes("zone"))
    assert {one.code for one in catalogue.find_codes("pass-k2o")} >= {"pass-k2o-season"}
    assert {one.room for one in catalogue.find_codes("surfaces")} == {"surfaces"}
    assert catalogue.find_codes("nothing-of-this-kind") == ()
    assert catalogue.nearest_codes("pass-s-celing")[0] == "pass-s-ceiling"


def test_severity_then_safety_pounds_data_record() -> None:
    found = [
        note("plan-no-s-ceiling", "", "safety, but only a note"),
        warn("soil-sample-in-hole", "", "data"),
        warn("rules-from-memory", "", "pounds, what the need rests on"),
        warn("prescription-s-not-met", "", "pounds of the order"),
        warn("an-unknown-code", "", "as data"),
        warn("pass-k2o-season", "", "safety"),
        stop("soil-unit-missing", "", "stops"),
        warn("soil-sample-in-hole", "", "data"),
    ]
    assert [one.code for one in catalogue.gravest_first(found)] == [
        "soil-unit-missing", "pass-k2o-season", "prescription-s-not-met", "rules-from-memory",
        "soil-sample-in-hole", "an-unknown-code", "plan-no-s-ceiling",
    ]
