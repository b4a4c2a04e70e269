"""Passes planned together, end to end: plan, run, files, audit, page and job record agree."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from vrx.audit import audit_run
from vrx.errors import PlanError, PlanInfeasible, VrxError
from vrx.pipeline import RunResult, check_field, run_field
from vrx.plan import load_plan

KCL = "muriate of potash 0-0-60"
KTHI = "potassium thiosulfate 0-0-25-17S"
NTHI = "ammonium thiosulfate 12-0-0-26S"
KSUL = "potassium sulfate 0-0-50-17S"
GYPS = "gypsum 0-0-0-18S"
# lb K2O and S in a lb or gal, from the labels; densities 12.2 and 11.04 lb/gal as in the list.
HOLDS = {KCL: (0.60, 0.0), KTHI: (3.05, 2.074), NTHI: (0.0, 2.8704), GYPS: (0.0, 0.18)}

PASSES = f"""
[season_plan]
aim = "least cost"

[[pass]]
id = "after-first"
timing = "stubble of cutting 1"
method = "broadcast"
materials = ["{KCL}", "{GYPS}"]
rate = "planned"

[[pass]]
id = "stubble-2"
timing = "stubble of cutting 2"
method = "through irrigation"
materials = [
  {{ material = "{KTHI}", label_most_gal_per_ac = 10.0, density_lb_per_gal = 12.2 }},
  {{ material = "{NTHI}", label_most_gal_per_ac = 8.0 }},
]
rate = "planned flat"
treated_ac = 125.0

[[pass]]
id = "late-summer"
timing = "4 to 6 weeks before killing frost"
method = "broadcast"
materials = ["{KCL}", "{GYPS}"]
rate = "planned"
"""
PRICES = f"""
"{GYPS}" = {{ usd = 120.0, per = "short ton", as_of = "2026-11-01" }}
"{NTHI}" = {{ usd = 2.90, per = "gal", as_of = "2026-11-01" }}
"""


def planned(folder: Path, *changes: tuple[str, str]) -> Path:
    """Kettle with its passes planned together; each change must hit."""
    path = folder / "plan.toml"
    text = path.read_text(encoding="utf-8")
    start, end = text.index("# Potash in two halves"), text.index("# What the spreader can do")
    text = text[:start] + PASSES + text[end:]
    text = re.sub(r"(?m)^\[prices\]\n", f"[prices]{PRICES}", text)
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RunResult]:
    import shutil

    source = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle"
    folder = planned(Path(shutil.copytree(source, tmp_path_factory.mktemp("season") / "kettle")))
    return folder, run_field(folder)


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def words(page: Path) -> str:
    parser = _Words()
    parser.feed(page.read_text(encoding="utf-8"))
    return " ".join(" ".join(parser.text).split())


def test_needs_are_met_with_both_nutrients_counted(season: tuple[Path, RunResult]) -> None:
    done = season[1].job.prescription
    steps = {one.pass_id: one.step for one in done.passes}
    for nutrient, at in (("K2O", 0), ("S", 1)):
        balance = next(one for one in done.balances if one.nutrient == nutrient)
        # Half a step of each pass may be missing, no more: rounding comes once, at the end.
        slack = sum(HOLDS[one.material.id][at] * steps[one.pass_id] / 2 for one in done.passes)
        assert (balance.brought >= balance.need - slack - 1e-6).all()
        brought = sum(one.rates * HOLDS[one.material.id][at] for one in done.passes)
        assert balance.brought == pytest.approx(brought, rel=1e-9)


def test_files_agree_with_the_record_and_a_second_run_is_the_same(
    season: tuple[Path, RunResult]
) -> None:
    folder, done = season
    assert audit_run(folder=done.folder).arithmetic is True
    again = run_field(folder)
    assert again.manifest["season_plan"] == done.manifest["season_plan"]
    assert [one["sha256"] for one in again.manifest["files"]] == [
        one["sha256"] for one in done.manifest["files"]]


def test_page_and_record_say_what_was_chosen_and_why(season: tuple[Path, RunResult]) -> None:
    done = season[1]
    told = json.loads((done.folder / "manifest.json").read_text(encoding="utf-8"))["season_plan"]
    chosen = {one["pass_id"]: one["material"] for one in told["choices"]}
    carried = {one["pass_id"]: one["material"] for one in done.manifest["passes"]
               if one["order_total"] > 0}
    assert {key: name for key, name in chosen.items() if name} == carried
    said = words(done.folder / "page.html")
    assert "How the season is met" in said
    assert "Every other mix was ruled out: none is better." in said
    assert "The next best mix" in said
    assert f"Without {told['rival']['without'][0]}" in said
    codes = {one.code for one in done.job.findings}
    assert {"mix-plan", "mix-next-best"} <= codes
    assert "pass-k2o-on-top" not in codes


def test_trips_are_charged_as_the_plan_says(copy_of: Callable[[str], Path]) -> None:
    folder = planned(copy_of("kettle"))
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    assert "spreading_variable_usd_per_ac = 9.5" in text
    assert "injection_usd_per_ac = 4.0" in text
    done = run_field(folder)
    mix = done.job.prescription.mix
    assert mix is not None
    # 4 usd on 125 ac wetted, 9.50 usd on the field's acres for each of two broadcast passes.
    acres = done.job.field.area_ac
    expected = sum(4.0 * 125.0 if one.pass_id == "stubble-2" else 9.5 * acres
                   for one in mix.choices if one.material)
    assert mix.usd_passes == pytest.approx(expected, rel=1e-9)


def test_short_of_the_need_the_binding_limit_is_on_the_page(copy_of: Callable[[str], Path]) -> None:
    folder = planned(copy_of("kettle"), ('[season_plan]', '[season_plan]\nsteps = "inside"'),
                     ("most_lb_per_ac = 330", "most_lb_per_ac = 200"))
    done = run_field(folder)
    mix = done.job.prescription.mix
    assert mix is not None
    assert mix.shortfalls[0].nutrient == "K2O"
    assert any("most, 200 lb/ac" in text for held in mix.must_give for text in held)
    said = words(done.folder / "page.html")
    assert "No mix meets the needs within the limits" in said
    assert "the machine's most, 200 lb/ac" in said
    told = [one for one in done.job.findings if one.code == "mix-short"]
    assert len(told) == 1
    assert told[0].todo


def test_whole_loads_and_ceilings_from_the_plan(copy_of: Callable[[str], Path]) -> None:
    folder = planned(copy_of("kettle"), (
        'aim = "least cost"', ('aim = "least cost"\n[season_plan.whole_loads]\n'
        f'"{KCL}" = {{ short_tons = 5.0 }}')))
    mix = run_field(folder).job.prescription.mix
    assert mix is not None
    ((name, number, size, left),) = mix.loads
    assert (name, size) == (KCL, 10_000)
    order = next(one for one in run_field(folder).job.prescription.order if one.material == KCL)
    # Steps are part of the search, so rounding changes nothing.
    assert number * size - order.quantity == pytest.approx(left, abs=1e-6)
    assert 0 <= left < size


def test_a_quote_for_a_material_that_is_not_chosen_is_told(copy_of: Callable[[str], Path]) -> None:
    folder = planned(copy_of("kettle"))
    path = folder / "plan.toml"
    path.write_text(path.read_text(encoding="utf-8") + f"""
[[bid]]
seller = "South Yard (invented)"
material = "{KTHI}"
usd = 1200.0
per = "short ton"
as_of = "2026-12-01"
""", encoding="utf-8")
    done = run_field(folder)
    mix = done.job.prescription.mix
    assert mix is not None
    assert KTHI not in {one.material for one in mix.choices}
    told = [one for one in done.job.findings if one.code == "bid-not-bought"]
    assert any("South Yard" in one.where for one in told)


def test_the_readmes_season_loads(copy_of: Callable[[str], Path]) -> None:
    root = Path(__file__).resolve().parents[2]
    part = (root / "README.md").read_text(encoding="utf-8").partition(
        "### A season planned together")[2]
    block = part.partition("```toml\n")[2].partition("```")[0]
    ksul = f'"{KSUL}" = {{ usd = 900.0, per = "short ton", as_of = "2026-11-01" }}'
    folder = planned(copy_of("kettle"), (PASSES, f"\n{block}\n"),
                     (f'"{GYPS}" = {{ usd', f'{ksul}\n"{GYPS}" = {{ usd'))
    plan = load_plan(folder / "plan.toml")
    assert plan.season_plan is not None
    assert plan.season_plan.aim == "least cost"
    assert [one.rate for one in plan.passes] == ["planned", "planned flat", "planned"]


def test_plans_without_the_section_are_as_before(runs: dict[str, RunResult]) -> None:
    for one in runs.values():
        assert "season_plan" not in one.manifest
        assert one.job.prescription.mix is None


@pytest.mark.parametrize(("old", "new", "says"), [
    ('[season_plan]\naim = "least cost"\n', "", "there is no [season_plan]"),
    ('aim = "least cost"', 'aim = "cheapest"', "least cost"),
    ('aim = "least cost"', 'aim = "least cost"\nsteps = "within"', "steps"),
    ('aim = "least cost"', 'aime = "least cost"', "did you mean 'aim'?"),
    (f'materials = ["{KCL}", "{GYPS}"]\nrate = "planned"', f'material = "{KCL}"\nrate = "planned"',
     "names what it may carry"),
    ('rate = "planned flat"', "rate_gal_per_ac = 5.0", "materials belongs to rate"),
    ('rate = "planned flat"', 'rate = "planned flat"\nserves = "sulfur"', "serves both needs"),
    ('rate = "planned flat"', 'rate = "planned flat"\nlabel_most_gal_per_ac = 5.0',
     "belongs to a material"),
    ("label_most_gal_per_ac = 10.0,", "label_most_gall_per_ac = 10.0,", "label_most_gal_per_ac"),
    (f'["{KCL}", "{GYPS}"]', f'["{KCL}", "{KCL}"]', "twice"),
    (f'["{KCL}", "{GYPS}"]', f'["{KCL}", 5]', "materials"),
    ('aim = "least cost"', ('aim = "least cost"\n[season_plan.whole_loads]\n'
     '"urea" = { short_tons = 5.0 }'), "no planned pass may carry"),
    ('aim = "least cost"', ('aim = "least cost"\n[season_plan.whole_loads]\n'
     f'"{KCL}" = {{ short_tons = 5.0, lb = 3.0 }}'), "exactly one of short_tons"),
])
def test_a_wrong_key_names_place_and_remedy(
    copy_of: Callable[[str], Path], old: str, new: str, says: str
) -> None:
    folder = planned(copy_of("kettle"), (old, new))
    with pytest.raises(PlanError, match=re.escape(says)) as caught:
        check_field(folder)
    assert caught.value.where.endswith("plan.toml")


@pytest.mark.parametrize(("old", "new", "code", "says"), [
    (f'"{GYPS}" = {{ usd', f'#"{GYPS}" = {{ usd', "mix-price-missing", "no price of gypsum"),
    ("label_most_gal_per_ac = 8.0", "label_most_lb_per_ac = 8.0", "plan-unit", "does not fit"),
    ("least_lb_per_ac = 80", "least_lb_per_ac = 80\nbelow_least = \"off\"", "plan-value",
     "does not count for a planned pass"),
    ("least_lb_per_ac = 80", "least_lb_per_ac = 400", "pass-limits", "above"),
    ('rate = "planned flat"', 'rate = "planned"', "irrigation-zones", ""),
    (f'["{KCL}", "{GYPS}"]', f'["{KCL}", "{GYPS}", "elemental sulfur 0-0-0-90S"]',
     "pass-elemental-s", "must first oxidise"),
])
def test_contradictions_stop_the_check(
    copy_of: Callable[[str], Path], old: str, new: str, code: str, says: str
) -> None:
    folder = planned(copy_of("kettle"), (old, new))
    found = [one for one in check_field(folder).findings if one.severity == "stop"]
    assert code in {one.code for one in found}
    assert any(says in one.what for one in found)
    assert all(one.todo for one in found)
    with pytest.raises(VrxError):
        run_field(folder)
    assert not (folder / "output" / "current.json").exists()


def test_a_ceiling_below_the_machines_least_stops(copy_of: Callable[[str], Path]) -> None:
    folder = planned(copy_of("kettle"), ("s_lb_per_ac = 50.0", ("s_lb_per_ac = 50.0\n"
                                         "cl_lb_per_ac = 20.0")),
                     (f', "{GYPS}"]', "]"), (f'"{GYPS}" = {{ usd', f'#"{GYPS}" = {{ usd'))
    with pytest.raises(PlanInfeasible, match="20 lb Cl/ac"):
        run_field(folder)
