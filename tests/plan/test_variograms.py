"""`[surface.variogram.<analyte>]`: strict, in feet, one convention with the maps."""

from __future__ import annotations

from pathlib import Path

import pytest

from vrx.errors import PlanError
from vrx.plan import Plan, load_plan

SAMPLE = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle" / "plan.toml"
GOOD = 'model = "spherical"\nnugget = 120.0\npartial_sill = 400.0\nrange_ft = 1000.0\n'


def plan_of(tmp_path: Path, keys: str, name: str = "potassium") -> Plan:
    text = SAMPLE.read_text(encoding="utf-8")
    path = tmp_path / "plan.toml"
    path.write_text(f"{text}\n[surface.variogram.{name}]\n{keys}", encoding="utf-8")
    return load_plan(path)


def test_lengths_become_metres(tmp_path: Path) -> None:
    """1 ft = 0.3048 m (international foot); 1000 ft practical = 3 length scales (exponential)."""
    stated = plan_of(
        tmp_path, GOOD + "ratio = 2.0\ndirection_deg = 30.0\nerror_variance = 50.0\n"
    ).surface.variogram_of("potassium")
    assert stated is not None
    assert stated.range_m == pytest.approx(304.8)
    assert (stated.model, stated.nugget, stated.partial_sill) == ("spherical", 120.0, 400.0)
    assert (stated.anisotropy_ratio, stated.anisotropy_deg) == (2.0, 30.0)
    assert stated.error_variance == 50.0
    practical = GOOD.replace("range_ft", "practical_range_ft").replace("spherical", "exponential")
    other = plan_of(tmp_path, practical).surface.variogram_of("potassium")
    assert other is not None
    assert other.range_m == pytest.approx(304.8 / 3.0)
    assert other.practical_range_m == pytest.approx(304.8)
    assert plan_of(tmp_path, GOOD).surface.variogram_of("sulfate") is None


@pytest.mark.parametrize(
    ("keys", "rule"),
    [
        (GOOD + "practical_range_ft = 900.0\n", "not both"),
        (GOOD.replace("range_ft = 1000.0\n", ""), "give range_ft"),
        (GOOD.replace("spherical", "sphere"), "'spherical'"),
        (GOOD.replace("1000.0", "0.0"), "greater than 0"),
        (GOOD.replace("120.0", "-1.0"), "greater than or equal to 0"),
        (GOOD.replace("120.0", "0.0").replace("400.0", "0.0"), "both 0"),
        (GOOD + "error_variance = 121.0\n", "cannot exceed"),
        (GOOD + "ratio = 0.5\n", "greater than or equal to 1"),
        (GOOD + "direction_deg = 200.0\n", "less than or equal to 180"),
        (GOOD.replace("120.0", "nan"), "finite"),
        (GOOD.replace("120.0", '"120"'), "number"),
        (GOOD + "sill = 3.0\n", "partial_sill"),
    ],
)
def test_what_is_no_variogram_is_refused(tmp_path: Path, keys: str, rule: str) -> None:
    with pytest.raises(PlanError) as caught:
        plan_of(tmp_path, keys)
    said = f"{caught.value.message} {caught.value.hint}"
    assert "variogram" in said + str(caught.value.where)
    assert rule in said


def test_an_analyte_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError):
        plan_of(tmp_path, GOOD, name="potasium")
