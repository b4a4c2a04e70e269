"""`[tissue]`: a content in another unit is told where it stands in the plan."""

from __future__ import annotations

from pathlib import Path

import pytest

from vrx.errors import PlanError
from vrx.plan import load_plan

SAMPLE = Path(__file__).parents[2] / "sample_geo" / "kettle" / "plan.toml"


def plan_file(tmp_path: Path, content: str) -> Path:
    text = SAMPLE.read_text(encoding="utf-8")
    assert "sulfur_pct = 0.24" in text
    path = tmp_path / "plan.toml"
    path.write_text(text.replace("sulfur_pct = 0.24", content), encoding="utf-8")
    return path


@pytest.mark.parametrize(("content", "words"), [
    # 0.24 % is 2.4 g/kg and 2,400 ppm; 2.4 % K is 24 g/kg: definitions of the units.
    ("sulfur_pct = 2.4", "sulfur_pct = 2.4"), ("sulfur_pct = 2400.0", "sulfur_pct = 2400"),
    ("potassium_pct = 24.0", "potassium_pct = 24"),
])
def test_another_unit_than_per_cent_stops(tmp_path: Path, content: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(plan_file(tmp_path, content))
    assert caught.value.code == "plan-value"
    assert f"{words} is more than hay holds" in caught.value.message
    assert "2.4 g/kg are 0.24 %" in caught.value.message


@pytest.mark.parametrize("content", ["sulfur_pct = 0.54", "potassium_pct = 4.0"])
def test_what_hay_holds_is_taken(tmp_path: Path, content: str) -> None:
    # Feedlot magazine: alfalfa 0.21 to 0.54 % S; Hay & Forage: nearly 4 % K at most.
    assert load_plan(plan_file(tmp_path, content)).tissue is not None
