"""Water, manure, cuttings hauled, soil read along, billed acres: told, and only manure counts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from vrx.errors import PlanError, VrxError
from vrx.model import Finding
from vrx.pipeline import RunResult, run_field

ANALYTES = """
[soil.boron]
column = "B_ppm"
unit = "ppm"
form = "B"
extractant = "hot-water soluble"
depth_in = [0, 8]

[soil.magnesium]
column = "Mg_sat"
unit = "% saturation"
form = "Mg"
extractant = "ammonium acetate"
depth_in = [0, 8]

[soil.sodium]
column = "Na_meq"
unit = "meq/100 g"
form = "Na"
extractant = "ammonium acetate"
depth_in = [0, 8]

[soil.ec]
column = "EC_lab"
unit = "umhos/cm"
extractant = "1:1 soil:water"
depth_in = [0, 8]

"""


class Plan:
    """Kettle's plan file, changed piece by piece."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def change(self, old: str, new: str) -> Plan:
        file = self.folder / "plan.toml"
        text = file.read_text(encoding="utf-8")
        assert text.count(old) >= 1, old
        file.write_text(text.replace(old, new, 1), encoding="utf-8")
        return self

    def run(self) -> RunResult:
        return run_field(self.folder)


@pytest.fixture
def plan(copy_of: Callable[[str], Path]) -> Plan:
    return Plan(copy_of("kettle"))


def told(result: RunResult, code: str) -> list[Finding]:
    return [one for one in result.job.findings if one.code == code]


def rates(result: RunResult) -> list[list[int]]:
    return [[int(s) for s in one.steps] for one in result.job.prescription.passes]


def needs(result: RunResult, nutrient: str) -> list[float]:
    return [one.lb_per_ac for one in result.job.needs[nutrient]]


def test_nothing_but_manure_moves_a_rate(plan: Plan, runs: dict[str, RunResult]) -> None:
    samples = plan.folder / "soil.csv"
    head, *rows = samples.read_text(encoding="utf-8").splitlines()
    samples.write_text("\n".join(
        [f"{head},B_ppm,Mg_sat,Na_meq,EC_lab"]
        + [f"{row},{0.5 + 0.01 * n:.2f},15,0.5,{1000 + n}" for n, row in enumerate(rows)]
    ) + "\n", encoding="utf-8")
    result = (
        plan.change("[water]\n", ANALYTES + "[water]\nchloride_ppm = 100.0\nsodium_ppm = 50\n"
                    "ec_ds_per_m = 0.9\nsampled_on = 2026-08-01\n")
        .change("stand_year = 3\n", "stand_year = 3\nstems_per_ft2 = 36\nbilled_ac = 121.0\n")
        .change("[soil]\n", "[soil]\ncuttings_hauled_since_sampling = "
                "[{ tons_per_ac = 2.0, moisture_pct = 12 }]\n")
        .run()
    )
    before = runs["kettle"]
    assert rates(result) == rates(before)
    assert needs(result, "K2O") == needs(before, "K2O")
    assert needs(result, "S") == needs(before, "S")
    assert set(result.job.surfaces) == set(before.job.surfaces)
    soil = result.job.soil.columns
    # Equivalents by atomic weights (IUPAC, abridged 2021): Mg 24.305 with two charges, Na 22.990.
    cec = soil["cec"].values
    assert soil["magnesium"].values == pytest.approx(cec * 0.15 * 24.305 / 2 * 10, rel=1e-4)
    assert soil["sodium"].values == pytest.approx(np.full_like(cec, 114.95), rel=1e-4)
    # 1 mmho/cm = 1 dS/m (SI brochure: S = 1/ohm), so 1,000 umho/cm = 1 dS/m.
    assert float(soil["ec"].values[0]) == pytest.approx(1.0)
    assert soil["ec"].extractant == "1:1 water"
    assert [one.where for one in told(result, "soil-read-along")] == [
        "[soil.boron]", "[soil.magnesium]", "[soil.sodium]", "[soil.ec]"]
    # 8 acre-inches at 100 ppm: Oregon State's 2,716,435 lb of water per acre-foot.
    salt, = told(result, "plan-water-read-along")
    assert f"= {2_716_435 * 8 / 12 * 100e-6:.0f} lb/ac" in salt.what
    assert "2026-08-01" in salt.what
    assert told(result, "rules-stand-thin")
    assert {"rules-fix-first-shown"} == {
        one.code for one in result.job.findings if "fix-first" in one.code}


def test_hauled_cuttings_tell_what_they_took_with_its_source(plan: Plan) -> None:
    result = plan.change(
        "[soil]\n", "[soil]\ncuttings_hauled_since_sampling = "
        "[{ tons_per_ac = 1.0, moisture_pct = 0 }, { tons_per_ac = 1.5, moisture_pct = 12 }]\n"
    ).run()
    one, = told(result, "soil-cuttings-since")
    # By hand: 49 lb K2O per ton of dry matter (Michigan State's printed cost, see the book) x
    # (1 + 1.5 x 0.88); 5.75 lb S per ton at 12 % (Wisconsin A2525: 23 lb in 4 tons).
    assert f"{49 * (1 + 1.5 * 0.88):.0f} lb K2O/ac" in one.what
    assert f"{5.75 * (1 / 0.88 + 1.5):.0f} lb S/ac" in one.what
    assert "A2525" in one.what
    assert "Michigan State" in one.what
    assert "not subtracted" in one.done
    assert one.severity == "warn"


def test_sulfate_in_milliequivalents_is_the_same_water(
    plan: Plan, runs: dict[str, RunResult]
) -> None:
    # 1 meq/L of sulfate is 48.03 ppm SO4: half of the formula weight 96.06.
    result = plan.change("sulfate_so4_ppm = 30.0", f"sulfate_meq_per_l = {30 / 48.0285}").run()
    assert needs(result, "S") == pytest.approx(needs(runs["kettle"], "S"), rel=1e-4)


@pytest.mark.parametrize(("section", "brings"), [
    ("[manure]\ntons_per_ac = 4\ns_lb_per_ton = 2.0\navailable_share = 0.5\n", 4.0),
    ("[manure]\ngal_per_ac = 5000\ns_lb_per_1000_gal = 1.0\navailable_share = 1.0\n", 5.0),
    (("[[manure]]\ntons_per_ac = 1\ns_lb_per_ton = 2.0\n"
      '[[manure]]\nname = "slurry"\ngal_per_ac = 1000\ns_lb_per_1000_gal = 1.0\n'), 3.0),
])
def test_manure_is_subtracted_from_the_sulfur_need(
    plan: Plan, runs: dict[str, RunResult], section: str, brings: float
) -> None:
    result = plan.change("[water]\n", section + "\n[water]\n").run()
    for had, has in zip(needs(runs["kettle"], "S"), needs(result, "S"), strict=True):
        assert has == pytest.approx(max(had - brings, 0.0), abs=1e-9)
    assert needs(result, "K2O") == needs(runs["kettle"], "K2O")
    assert told(result, "manure-s-counted")
    assert bool(told(result, "manure-share-assumed")) == ("available_share" not in section)


def test_manure_that_the_sulfur_book_does_not_read_warns(plan: Plan) -> None:
    result = plan.change("[water]\n", "[manure]\ntons_per_ac = 4\ns_lb_per_ton = 2\n\n[water]\n") \
        .change('book = "sulfur-balance"', 'book = "flat-sulfur"').run()
    one, = told(result, "manure-s-uncounted")
    assert "8.0 lb S/ac" in one.what
    assert not told(result, "manure-s-counted")


@pytest.mark.parametrize(("old", "new", "says"), [
    ("[water]\n", "[manure]\ntons_per_ac = 4\ns_lb_per_1000_gal = 2\n\n[water]\n", "tons_per_ac"),
    ("[water]\n", "[manure]\ntons_per_ac = 4\n\n[water]\n", "s_lb_per_ton"),
    ("[water]\n", "[water]\nsulfate_s_ppm = 10\n", "sulfate_meq_per_l"),
    ("[water]\n", "[fix_first]\nphosphorus_ppm = 10\n\n[water]\n", "source"),
    ("[water]\n", "[water]\nchloride_mg_per_l = 10\n", "chloride"),
])
def test_half_a_statement_is_refused(plan: Plan, old: str, new: str, says: str) -> None:
    with pytest.raises(PlanError, match=says):
        plan.change(old, new).run()


def test_manure_given_twice_is_refused(plan: Plan) -> None:
    plan.change("[water]\n", "[manure]\ntons_per_ac = 4\ns_lb_per_ton = 2\n\n[water]\n")
    plan.change('book = "sulfur-balance"', 'book = "sulfur-balance"\nmanure_s_lb_per_ac = 8')
    with pytest.raises(PlanError, match="given twice"):
        plan.run()


@pytest.mark.parametrize(("share", "severity"), [(1.019, "note"), (1.021, "warn"), (0.97, "warn")])
def test_billed_acres_are_only_compared(
    plan: Plan, runs: dict[str, RunResult], share: float, severity: str
) -> None:
    area = runs["kettle"].job.field.area_ac
    result = plan.change("stand_year = 3\n",
                         f"stand_year = 3\nbilled_ac = {area * share!r}\n").run()
    one, = told(result, "field-billed-acres")
    assert one.severity == severity
    assert f"{area * (share - 1):+,.2f} ac, {100 * (share - 1):+.2f} %" in one.what
    assert result.job.prescription.order == runs["kettle"].job.prescription.order


def test_an_extractant_of_salinity_is_never_guessed(plan: Plan) -> None:
    samples = plan.folder / "soil.csv"
    head, *rows = samples.read_text(encoding="utf-8").splitlines()
    samples.write_text("\n".join([f"{head},EC"] + [f"{row},0.9" for row in rows]) + "\n",
                       encoding="utf-8")
    plan.change("[water]\n", '[soil.ec]\ncolumn = "EC"\nunit = "dS/m"\ndepth_in = [0, 8]\n\n'
                "[water]\n")
    with pytest.raises(VrxError) as error:
        plan.run()
    assert "extractant of ec is not stated" in str(error.value)
    plan.change('unit = "dS/m"', 'unit = "dS/m"\nextractant = "mehlich-3"')
    with pytest.raises(VrxError, match="is not used for ec"):
        plan.run()


def test_own_limits_judge_phosphorus(plan: Plan) -> None:
    result = plan.change("[water]\n", '[fix_first]\nsource = "my guide, p. 4"\n'
                         "phosphorus_ppm = 40.0\nph = 7.0\n\n[water]\n").run()
    low = {one.where: one for one in told(result, "rules-fix-first")}
    assert "my guide, p. 4" in low["[soil.phosphorus]"].what
    means = result.job.readings["phosphorus"].mean
    for zone, mean in zip(result.job.zones.zones, means, strict=True):
        named = f"{zone.letter} {mean:.1f}" in low["[soil.phosphorus]"].what.split("in zones ")[1]
        assert named == bool(mean < 40)
