"""What is put right first: limits from memory (common in extension guides), and a user's own."""

from __future__ import annotations

import numpy as np
import pytest

from vrx.errors import RuleError
from vrx.rules import fix_first, fix_first_limits

NAMES = ("A", "B", "C")


def test_every_limit_says_that_it_is_from_memory() -> None:
    # pH 6.5 and 40 stems/ft2 for alfalfa: from memory, no page of a guide was read.
    held = fix_first_limits()
    assert {name: one.least for name, one in held.items()} == {"ph": 6.5, "stems": 40.0}
    assert {one.evidence for one in held.values()} == {"from memory"}


def test_acid_zones_are_named_and_the_limit_itself_is_not_low() -> None:
    found = fix_first(zone_names=NAMES, means={"ph": np.array([6.2, 6.5, np.nan])}, extractants={})
    assert [(one.code, one.severity) for one in found] == [("rules-fix-first", "warn")]
    assert "A 6.2" in found[0].what
    assert "B" not in found[0].what.split("zones")[1]
    assert "from memory, check your guide" in found[0].what


def test_phosphorus_and_boron_are_shown_unless_the_user_gives_a_limit() -> None:
    means = {"phosphorus": np.array([8.0, 20.0, 15.0]), "boron": np.array([0.4, np.nan, 1.2])}
    methods = {"phosphorus": "olsen", "boron": "hot water"}
    shown = fix_first(zone_names=NAMES, means=means, extractants=methods)
    assert [one.code for one in shown] == ["rules-fix-first-shown"] * 2
    assert {one.severity for one in shown} == {"note"}
    assert "olsen" in shown[0].what
    assert "no limit is held" in shown[0].what
    judged = fix_first(zone_names=NAMES, means=means, extractants=methods,
                       own={"phosphorus": 10.0, "boron": 0.3}, own_source="my guide, page 4")
    assert [one.code for one in judged] == ["rules-fix-first"]
    assert "A 8.0" in judged[0].what
    assert "my guide, page 4" in judged[0].what


def test_a_thin_stand_says_do_not_spend() -> None:
    thin = fix_first(zone_names=NAMES, means={}, extractants={}, stems_per_ft2=39.0)
    assert [one.code for one in thin] == ["rules-stand-thin"]
    assert thin[0].what.startswith("do not spend: 39 stems/ft2")
    assert fix_first(zone_names=NAMES, means={}, extractants={}, stems_per_ft2=40.0) == ()


def test_unknown_limits_and_wrong_lengths_are_refused() -> None:
    with pytest.raises(RuleError, match="did you mean 'boron'"):
        fix_first(zone_names=NAMES, means={}, extractants={}, own={"boro": 1.0})
    with pytest.raises(RuleError, match="3 zones"):
        fix_first(zone_names=NAMES, means={"ph": np.array([6.0])}, extractants={})
