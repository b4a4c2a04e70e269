"""Needs of a run with credits, by zone's goals, cell by cell, with bounds, and by other guides."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from scipy import stats

from vrx.cli import cli
from vrx.errors import PlanError, RuleError, VrxError
from vrx.model import Need
from vrx.pipeline import RunResult, compare_field, run_field
from vrx.plan import load_plan

COMPARE = """[compare]
books = ["tri-state-1995", "removal-potassium", "flat-sulfur", "tissue-sulfur"]
options = { removal-potassium = { removal_source = "nebraska" } }

"""


class Kettle:
    """The kettle field's plan, changed piece by piece."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = folder / "plan.toml"

    def change(self, old: str, new: str) -> Kettle:
        text = self.file.read_text(encoding="utf-8")
        assert old in text, old
        self.file.write_text(text.replace(old, new, 1), encoding="utf-8")
        return self

    def plain(self) -> Kettle:
        """Without what the sample plan itself says of credits and other guides."""
        text = self.file.read_text(encoding="utf-8")
        for name in (r"compare[.\w]*", r"credits\.\w+"):
            text = re.sub(rf"(?ms)^\[{name}\]\n.*?(?=^#|^\[)", "", text)
        self.file.write_text(text, encoding="utf-8")
        return self

    def add(self, text: str) -> Kettle:
        return self.change("[need.potassium]\n", text + "[need.potassium]\n")

    def run(self) -> RunResult:
        return run_field(self.folder)


@pytest.fixture
def kettle(copy_of: Callable[[str], Path]) -> Kettle:
    return Kettle(copy_of("kettle")).plain()


def rates(needs: tuple[Need, ...]) -> list[float]:
    return [one.lb_per_ac for one in needs]


def told(result: RunResult, code: str) -> list[str]:
    return [f"{one.what}; {one.done}" for one in result.job.findings if one.code == code]


# ---- credits ------------------------------------------------------------------------------------


def test_potassium_of_water_comes_off_every_zone(
    kettle: Kettle, runs: dict[str, RunResult]
) -> None:
    result = kettle.change("sulfate_so4_ppm = 30.0\n",
                           "sulfate_so4_ppm = 30.0\npotassium_ppm = 6.0\n").run()
    # 6 ppm K in 8 in: 6 x 0.226612 x 8 x 1.204606 (mass of an acre-inch, atomic weights).
    credit = 6.0 * 0.2266117 * 8.0 * 1.2046055
    before, after = rates(runs["kettle"].job.needs["K2O"]), rates(result.job.needs["K2O"])
    for one, two in zip(before, after, strict=True):
        assert two == pytest.approx(max(one - credit, 0.0), rel=1e-5)
    dry = next(k for k, one in enumerate(before) if one == 0)
    assert result.job.needs["K2O"][dry].surplus_lb_per_ac == pytest.approx(credit, rel=1e-5)
    assert any("more than the base need" in text for text in told(result, "rules-surplus"))
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert "6 ppm K x 8 in net x 0.22661 x 1.2046" in page
    assert "credits bring 13.1 lb K2O/ac more than the base need" in page


def test_manure_brings_potash_by_its_stated_share(
    kettle: Kettle, runs: dict[str, RunResult]
) -> None:
    result = kettle.add('[manure]\ntons_per_ac = 5.0\nk2o_lb_per_ton = 12.0\n'
                        'k2o_available_share = 0.9\n\n').run()
    before, after = rates(runs["kettle"].job.needs["K2O"]), rates(result.job.needs["K2O"])
    assert [one - two for one, two in zip(before, after, strict=True) if one > 60] == \
        pytest.approx([54.0] * 8)
    line, = [one for one in result.job.needs["K2O"][0].lines if one.term == "manure brings"]
    assert "5 tons/ac x 12 lb K2O/ton x available share 0.9" in line.detail
    assert rates(result.job.needs["S"]) == rates(runs["kettle"].job.needs["S"])


def test_manure_table_with_potassium(kettle: Kettle) -> None:
    (kettle.folder / "manure.csv").write_text("Lab no,S,K\nM-1,2.0,10.0\n", encoding="utf-8")
    result = kettle.add(
        '[manure]\ntons_per_ac = 5.0\navailable_share = 0.5\nk2o_available_share = 1.0\n'
        '[manure.table]\nfile = "manure.csv"\nbasis = "as is"\n'
        '[manure.table.sulfur]\ncolumn = "S"\nunit = "lb/ton"\nform = "S"\n'
        '[manure.table.potassium]\ncolumn = "K"\nunit = "lb/ton"\nform = "K"\n\n').run()
    line, = [one for one in result.job.needs["K2O"][0].lines if one.term == "manure brings"]
    # 10 lb K = 12.046 lb K2O a ton (atomic weights).
    assert line.lb_per_ac == pytest.approx(-5 * 12.046055, rel=1e-5)
    sulfur, = [one for one in result.job.needs["S"][0].lines if one.term == "manure brings"]
    assert sulfur.lb_per_ac == pytest.approx(-5.0)


def test_manure_sulfur_counts_for_any_guide_when_asked(kettle: Kettle) -> None:
    kettle.change('book = "sulfur-balance"', 'book = "flat-sulfur"')
    kettle.add('[manure]\ntons_per_ac = 5.0\ns_lb_per_ton = 2.0\navailable_share = 0.5\n\n')
    plain = kettle.run()
    assert told(plain, "manure-s-uncounted")
    counted = kettle.add("[credits.sulfur]\nmanure = true\n\n").run()
    assert not told(counted, "manure-s-uncounted")
    assert [one - two for one, two in zip(rates(plain.job.needs["S"]),
                                          rates(counted.job.needs["S"]), strict=True)] == \
        pytest.approx([5.0] * len(counted.job.needs["S"]))


def test_residual_sulfate_stated_and_from_samples_at_depth(kettle: Kettle) -> None:
    stated = kettle.add(
        "[credits.sulfur]\nresidual_sulfate = { depth_in = [24, 36], share = 0.25, "
        'so4s_ppm = 4.0, source = "core of June 2026" }\n\n').run()
    line, = [one for one in stated.job.needs["S"][0].lines if one.term == "sulfate left at depth"]
    assert line.lb_per_ac == pytest.approx(-4 * 0.2266117 * 12 * 1.33 * 0.25, rel=1e-5)
    assert "core of June 2026" in line.detail
    kettle.change(', so4s_ppm = 4.0, source = "core of June 2026" }', " }")
    with pytest.raises(PlanError) as error:
        kettle.run()
    assert error.value.code == "credit-depth-missing"
    assert "one depth only" in error.value.message


def test_sulfate_of_samples_at_depth_is_each_zones_own(kettle: Kettle) -> None:
    with (kettle.folder / "soil.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    deep = [{**row, "depth": depth, "SO4S_ppm": sulfate}
            for row in rows for depth, sulfate in (("0-24 in", row["SO4S_ppm"]), ("24-36 in", "4"))]
    with (kettle.folder / "soil.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, [*rows[0], "depth"])
        writer.writeheader()
        writer.writerows(deep)
    kettle.change('id_column = "sample_id"',
                  'id_column = "sample_id"\ndepth_column = "depth"\ndepth = "0-24 in"')
    text = kettle.file.read_text(encoding="utf-8")
    # The whole table is of one depth here, so the K guide's depth is stood for.
    kettle.file.write_text(
        text.replace("depth_in = [0, 8]", "depth_in = [0, 24]").replace(
            'book = "tri-state-2020"', 'book = "tri-state-2020"\naccept_depth_in = [0, 24]'),
        encoding="utf-8")
    result = kettle.add(
        "[credits.sulfur]\nresidual_sulfate = { depth_in = [24, 36], share = 0.5 }\n\n").run()
    for need in result.job.needs["S"]:
        line, = [one for one in need.lines if one.term == "sulfate left at depth"]
        assert line.lb_per_ac == pytest.approx(-4 * 0.2266117 * 12 * 1.33 * 0.5, rel=1e-5)
        assert "24-36 in, mean of the zone's samples, calcium phosphate" in line.detail


# ---- yield goals --------------------------------------------------------------------------------


def test_goals_by_zone_move_needs_and_are_named(kettle: Kettle) -> None:
    before = kettle.run()
    letters = [zone.letter for zone in before.job.zones.zones]
    goals = {letter: 6.0 + 0.1 * k for k, letter in enumerate(letters)}
    stated = ", ".join(f"{letter} = {goal:g}" for letter, goal in goals.items())
    result = kettle.change("moisture_pct = 12\n", f"moisture_pct = 12\nby_zone = {{ {stated} }}\n"
                           ).run()
    for letter, need in zip(letters, result.job.needs["K2O"], strict=True):
        removed = [line for line in need.lines if line.term == "hay removes"]
        if need.lb_per_ac:
            assert removed[0].lb_per_ac == pytest.approx(49 * 0.88 * goals[letter])
        assert need.lines[0].detail.endswith("stated for this zone")
    assert before.job.needs["K2O"][0].lines[0].detail.endswith("one goal for the whole field")
    assert told(result, "yield-goal-by-zone")
    kettle.change("A = 6", "AA = 6")
    with pytest.raises(PlanError) as error:
        kettle.run()
    assert error.value.code == "yield-goal-zones"
    assert "names AA and has no goal for A" in error.value.message


# ---- cell by cell, bounds -----------------------------------------------------------------------


def test_cells_are_the_rule_by_hand_on_the_map(runs: dict[str, RunResult]) -> None:
    job = runs["kettle"].job
    cells = job.need_beside.cells["K2O"]
    assert cells.name == "need_k2o_lb_per_ac"
    k, cec = job.surfaces["potassium"].values, job.surfaces["cec"].values
    # Tri-State 2020 written out: 49 lb per ton of dry matter, 6.5 t at 12 %.
    critical, limit = np.where(cec <= 5, 100, 120), np.where(cec <= 5, 130, 170)
    by_hand = np.where(k <= limit, 49 * 6.5 * 0.88, 0.0) + np.where(
        k < critical, (critical - k) * (1 + 0.05 * cec), 0.0)
    inside = np.isfinite(cells.values)
    assert np.allclose(cells.values[inside], by_hand[inside], rtol=1e-9)
    # Zone means by an area count of the cell centres (independent of the covered shares).
    east, north = np.meshgrid(cells.grid.easting_m, cells.grid.northing_m)
    for zone, mean in zip(job.zones.zones, cells.cell_mean, strict=True):
        shapely.prepare(zone.polygon)
        held = shapely.contains_xy(zone.polygon, east.ravel(), north.ravel())
        assert by_hand.ravel()[held].mean() == pytest.approx(mean, rel=0.03, abs=6.0)
    warned = [one for one in job.findings if one.code == "need-cells-differ"]
    assert warned
    assert all(one.severity.value == "warn" for one in warned)


def test_a_linear_guide_is_the_same_cell_by_cell(kettle: Kettle) -> None:
    # Sulfur balance is linear in organic matter: equal to rounding of the covered shares.
    cells = kettle.run().job.need_beside.cells["S"]
    assert cells.cell_mean == pytest.approx(cells.zone_rule, rel=1e-6)


def test_the_plan_may_choose_the_cells(kettle: Kettle, runs: dict[str, RunResult]) -> None:
    result = kettle.add('[need]\napply_to = "cells"\n\n').run()
    cells = runs["kettle"].job.need_beside.cells["K2O"]
    needs = result.job.needs["K2O"]
    assert rates(needs) == pytest.approx(cells.cell_mean.tolist())
    for need in needs:
        assert sum(line.lb_per_ac for line in need.lines) == pytest.approx(need.lb_per_ac)
        assert need.lines[-1].term == "rule applied cell by cell"
    assert [one["severity"] for one in result.manifest["findings"]
            if one["code"] == "need-cells-differ"] == ["note"]
    held, = [one for one in result.manifest["needs"] if one["nutrient"] == "K2O"]
    assert held["used"] == "cells"


def test_the_share_from_which_they_differ_is_the_plans(kettle: Kettle) -> None:
    assert not told(kettle.add("[need]\ncells_differ_share = 1.0\n\n").run(), "need-cells-differ")


def test_bounds_on_page_and_record_are_the_normal_distributions(
    runs: dict[str, RunResult]
) -> None:
    result = runs["kettle"]
    reading = result.job.readings["potassium"]
    held = result.job.need_beside.bounds["K2O"]
    critical, _ = held.thresholds
    z = (critical.level - reading.mean) / reading.standard_error
    assert critical.below == pytest.approx(stats.norm.cdf(z))
    drawn = np.random.default_rng(1).normal(
        reading.mean, reading.standard_error, (100_000, reading.mean.size))
    cec = result.job.readings["cec"].mean
    level, limit = np.where(cec <= 5, 100, 120), np.where(cec <= 5, 130, 170)
    rate = np.where(drawn <= limit, 49 * 6.5 * 0.88, 0.0) + np.where(
        drawn < level, (level - drawn) * (1 + 0.05 * cec), 0.0)
    low, high = np.quantile(rate, [0.05, 0.95], axis=0)
    assert held.low == pytest.approx(low, abs=1.0)
    assert held.high == pytest.approx(high, abs=1.0)
    record, = [one for one in result.manifest["needs"] if one["nutrient"] == "K2O"]
    assert [row["low_lb_per_ac"] for row in record["zones"]] == pytest.approx(held.low.tolist())
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert "if the soil test is off by 1.64 of its standard error" in page


def test_another_level_gives_other_bounds(kettle: Kettle, runs: dict[str, RunResult]) -> None:
    narrow = kettle.add("[need]\nbounds_level = 0.5\n\n").run().job.need_beside.bounds["K2O"]
    wide = runs["kettle"].job.need_beside.bounds["K2O"]
    assert narrow.times == pytest.approx(stats.norm.ppf(0.75))
    assert (narrow.high - narrow.low <= wide.high - wide.low + 1e-9).all()


# ---- other guides -------------------------------------------------------------------------------


def test_each_guide_compared_equals_a_run_with_it(kettle: Kettle) -> None:
    result = kettle.add(COMPARE).run()
    by_book = {guide.book: guide for one in result.job.need_beside.comparisons
               for guide in one.guides}
    assert by_book["tri-state-2020"].of_plan
    assert list(by_book["tri-state-2020"].need) == rates(result.job.needs["K2O"])
    for nutrient, section, book, more in (
        ("K2O", "need.potassium", "removal-potassium", 'removal_source = "nebraska"\n'),
        ("S", "need.sulfur", "flat-sulfur", ""), ("S", "need.sulfur", "tissue-sulfur", ""),
    ):
        other = Kettle(kettle.folder)
        text = other.file.read_text(encoding="utf-8")
        own = re.search(rf'\[{section}\]\nbook = "[a-z0-9-]+"\n', text)
        assert own
        other.file.write_text(text.replace(own[0], f'[{section}]\nbook = "{book}"\n{more}'),
                              encoding="utf-8")
        run = other.run()
        other.file.write_text(text, encoding="utf-8")
        held = by_book[book]
        assert list(held.need) == rates(run.job.needs[nutrient])
        area = run.job.prescription.zone_area_ac
        assert held.total_lb == pytest.approx(float(np.dot(held.need, area)))
        order = {line.material: line for line in run.job.prescription.order}
        for line in held.order:
            assert line.quantity == order[line.material].quantity
            assert line.usd == order[line.material].usd
        assert held.usd == pytest.approx(sum(one.usd or 0.0 for one in order.values()))
        assert sum(value for _, value in held.parts) == pytest.approx(held.total_lb / sum(area))


def test_a_guide_that_cannot_read_the_soil_test_is_listed_with_its_reason(kettle: Kettle) -> None:
    result = kettle.add(COMPARE).run()
    k2o = next(one for one in result.job.need_beside.comparisons if one.nutrient == "K2O")
    refused = next(one for one in k2o.guides if one.book == "tri-state-1995")
    assert refused.refused_code == "rules-extractant"
    assert refused.need == ()
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert "tri-state-1995</b> cannot read this field: the soil test is mehlich-3" in page
    assert k2o.spread == pytest.approx(
        [390 - rate for rate in rates(result.job.needs["K2O"])])
    assert "How far 2 guides are apart: K2O" in page
    assert told(result, "compare-refused")
    assert told(result, "compare-spread")
    record, = [one for one in result.manifest["guides_compared"] if one["nutrient"] == "K2O"]
    assert [one["refused_code"] for one in record["guides"]] == [None, "rules-extractant", None]
    books = {one["id"] for one in result.manifest["books"]}
    assert {"tri-state-1995", "flat-sulfur", "tri-state-2020"} <= books


def test_the_words_say_where_two_guides_part(kettle: Kettle) -> None:
    _, found = compare_field(kettle.folder, books=["tri-state-1995"], options={
        "tri-state-1995": {"conversion": "mehlich-3 to acetate (one laboratory)",
                           "accept_depth_in": [0, 8]}})
    other, = [one for one in found[0].guides if not one.of_plan]
    assert not other.refused
    why = dict(line.split(": ", 1) for line in other.why)
    assert "ammonium acetate" in why["reads"]
    assert "converted (mehlich-3 to acetate" in why["reads"]
    assert why["turns at"].startswith("critical level 75 + 2.5 x CEC ppm")
    assert "20 lb/ac more" in why["philosophy"]
    assert why["yield"].startswith("removes 50 lb K2O per ton at 12 % moisture")
    assert why["most"].startswith("300 lb/ac a year")
    assert "from memory" in other.evidence


def test_compare_on_the_command_line(kettle: Kettle) -> None:
    plain = CliRunner().invoke(cli, [
        "compare", str(kettle.folder), "removal-potassium", "tri-state-1995",
        "--option", "removal-potassium.removal_source=nebraska"])
    assert plain.exit_code == 0, plain.output
    assert "tri-state-1995 cannot read this field" in plain.output
    assert "390" in plain.output
    answer = CliRunner().invoke(cli, [
        "compare", str(kettle.folder), "flat-sulfur", "--json"])
    found = json.loads(answer.stdout)
    one, = found["comparisons"]
    assert [guide["book"] for guide in one["guides"]] == ["sulfur-balance", "flat-sulfur"]
    assert not (kettle.folder / "output").exists()


@pytest.mark.parametrize(("arguments", "code"), [
    ([], "compare-no-books"), (["tri-state-2002"], "plan-book-unknown"),
    (["flat-sulfur", "--option", "tissue-sulfur.rate_lb_per_ac=3"], "compare-options"),
])
def test_compare_says_what_is_wrong(kettle: Kettle, arguments: list[str], code: str) -> None:
    answer = CliRunner().invoke(cli, ["compare", str(kettle.folder), *arguments])
    assert isinstance(answer.exception, VrxError)
    assert answer.exception.code == code
    assert answer.exception.hint


def test_an_option_in_another_form_is_refused(kettle: Kettle) -> None:
    answer = CliRunner().invoke(cli, [
        "compare", str(kettle.folder), "flat-sulfur", "--option", "rate_lb_per_ac=3"])
    assert answer.exit_code == 2
    assert "BOOK.KEY=VALUE" in answer.output


def test_a_wrong_option_is_that_guides_refusal(kettle: Kettle) -> None:
    _, found = compare_field(kettle.folder, books=["flat-sulfur"], options={
        "flat-sulfur": {"rate_per_ac": 3}})
    other = found[0].guides[1]
    assert other.refused_code == "rules-option-unknown"


# ---- bad input ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("section", "words"), [
    ("[compare]\nbooks = [\"a\", \"a\"]\n", "twice"),
    ("[compare]\nbooks = [\"a\"]\noptions = { b = { x = 1 } }\n", "does not hold"),
    ("[credits.potassium]\ncarry_over_lb_per_ac = 10.0\n", "go together"),
    ("[credits.potassium]\ncarry_over_lb_per_ac = -10.0\ncarry_over_source = \"x\"\n",
     "carry_over_lb_per_ac"),
    ("[credits.potassium]\norganic_matter = true\n", "organic_matter"),
    ("[credits.sulfur]\nwater_share = 1.5\n", "water_share"),
    ("[credits.sulfur]\nresidual_sulfate = { depth_in = [24, 12], share = 0.5 }\n",
     "bottom below top"),
    ("[credits.sulfur]\nresidual_sulfate = { depth_in = [12, 24] }\n", "share"),
    ("[credits.sulfur]\nresidual_sulfate = { depth_in = [12, 24], share = 1.0, source = \"x\" }\n",
     "source belongs"),
    (("[credits.sulfur.residual_sulfate]\ndepth_in = [12, 24]\nshare = 1.0\n"
      "bulk_density_g_per_cm3 = 13.3\n"), "bulk_density"),
    ("[need]\napply_to = \"cell\"\n", "apply_to"),
    ("[need]\nbounds_level = 90\n", "bounds_level"),
    ("[need]\nbounds_level = 1.0\n", "bounds_level"),
    ("[need]\ncells_differ_share = 0\n", "cells_differ_share"),
    ("[manure]\ntons_per_ac = 5.0\nk2o_lb_per_1000_gal = 4.0\n", "tons_per_ac"),
    ("[manure]\ntons_per_ac = 5.0\n", "tons_per_ac"),
])
def test_a_plan_with_a_wrong_credit_or_choice(kettle: Kettle, section: str, words: str) -> None:
    kettle.add(section + "\n")
    with pytest.raises(PlanError) as error:
        load_plan(kettle.file)
    assert words in str(error.value) + "".join(one.what for one in error.value.findings)


def test_goals_by_zone_and_by_a_pattern_are_too_many(kettle: Kettle) -> None:
    kettle.change("moisture_pct = 12\n", 'moisture_pct = 12\nlayers = ["x"]\nby_zone = { A = 5 }\n')
    with pytest.raises(PlanError) as error:
        load_plan(kettle.file)
    assert "keep one" in str(error.value) + "".join(one.what for one in error.value.findings)


def test_a_layer_counted_twice_stops_the_run(kettle: Kettle) -> None:
    kettle.change('book = "sulfur-balance"\n', 'book = "sulfur-balance"\nsoil_share = 0.5\n')
    kettle.add("[credits.sulfur]\nresidual_sulfate = { depth_in = [12, 36], share = 0.5, "
               "so4s_ppm = 3.0 }\n\n")
    with pytest.raises(RuleError) as error:
        kettle.run()
    assert error.value.code == "credit-depth-twice"
