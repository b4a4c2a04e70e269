"""What a season costs and takes, end to end: record, tables and page say the same."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from vrx.audit import audit_run
from vrx.errors import PlanError
from vrx.pipeline import RunResult, run_field

POTASH = "muriate of potash 0-0-60"


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def words(page: Path) -> str:
    """The page's text, blanks folded."""
    parser = _Words()
    parser.feed(page.read_text(encoding="utf-8"))
    return " ".join(" ".join(parser.text).split())


def edited(folder: Path, *changes: tuple[str, str], more: str = "") -> Path:
    """The folder with its plan changed; each change must hit."""
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    plan.write_text(text + more, encoding="utf-8")
    return folder


def test_the_order_is_the_sum_of_the_passes_in_record_and_table(
    runs: dict[str, RunResult]
) -> None:
    done = runs["kettle"]
    held = done.manifest["money"]["buying"]
    rows = pd.read_csv(done.folder / "buying.csv", encoding="utf-8-sig")
    for one, line in zip(held, done.manifest["order"], strict=True):
        assert one["material"] == line["material"]
        assert one["net"] == pytest.approx(line["quantity"])
        assert one["net"] == pytest.approx(sum(share[2] for share in one["shares"]))
        of_it = rows[rows["material"] == one["material"]]
        steps = of_it[~of_it["line"].str.contains("of it for|to buy|truck|tank")]
        assert steps["amount"].sum() == pytest.approx(one["bought"])
        assert steps["usd"].sum() == pytest.approx(one["usd_bought"])


def test_kettle_buys_whole_steps_and_totes(runs: dict[str, RunResult]) -> None:
    potash, thio = runs["kettle"].manifest["money"]["buying"]
    # 50,295 lb and 1 % in steps of 500 lb; 625 gal and 2 % in totes of 275 gal.
    assert (potash["bought"], potash["packages"], potash["loads"]) == (51_000, 102, 2)
    assert (thio["bought"], thio["packages"]) == (825, 3)
    assert thio["usd_bought"] == pytest.approx(825 * 6.10)
    fills = {one["pass_id"]: one for one in runs["kettle"].manifest["money"]["tank_fills"]}
    assert fills["stubble-2"]["fills"] == 3
    # The tank of [irrigation.inject.stubble-2]: 275 gal at 5 gal/ac.
    assert fills["stubble-2"]["acres_per_fill"] == pytest.approx(55)


def test_uptake_stands_beside_what_five_gallons_bring(runs: dict[str, RunResult]) -> None:
    # Trade fact: 10 tons take up 475 lb K, 572 lb K2O; 6.5 tons 372. 5 gal x 3.05 lb = 15.
    text = words(runs["kettle"].folder / "page.html")
    assert "5 gal/ac of potassium thiosulfate 0-0-25-17S brings 15 lb K2O/ac" in text
    assert "At 6.5 tons/ac of 12 % moisture the crop takes up about 372 lb K2O/ac" in text
    assert "common practice, no source" in text


def test_balance_is_brought_less_removed_and_its_ranges_are_in_the_page(
    runs: dict[str, RunResult]
) -> None:
    done = runs["kettle"]
    k2o, s = done.manifest["money"]["season_balance"]
    assert (k2o["nutrient"], s["nutrient"]) == ("K2O", "S")
    brought = {one["zone_id"]: one["brought_lb_per_ac"]
               for one in done.manifest["nutrients"][0]["zones"]}
    for zone in k2o["zones"]:
        # Tri-State 2020: 49 lb K2O per ton of dry matter, 6.5 tons at 12 %.
        assert zone["removed_lb_per_ac"] == pytest.approx(49 * 6.5 * 0.88)
        assert zone["brought_lb_per_ac"] == pytest.approx(brought[zone["zone_id"]])
        low, high = zone["change_ppm_a_season"]
        assert low < high
    text = words(done.folder / "page.html")
    assert "range partly from memory, check your guide" in text
    assert "After 4 such seasons" in text
    assert "leaches" in s["cannot_tell"]


def test_flat_cases_are_planned_like_the_rest(runs: dict[str, RunResult]) -> None:
    told = runs["kettle"].manifest["money"]["flat_or_by_zone"]
    zoned, mean, most = told["cases"]
    needs = runs["kettle"].manifest["nutrients"][0]["zones"]
    area = {one["zone_id"]: one["area_ac"] for one in runs["kettle"].manifest["zones"]}
    total = sum(area.values())
    average = sum(one["need_lb_per_ac"] * area[one["zone_id"]] for one in needs) / total
    highest = max(one["need_lb_per_ac"] for one in needs)
    for case, need in ((mean, average), (most, highest)):
        rates = {name: (low, high) for name, _, low, high in case["rates"]}
        for name in ("after-first", "late-summer"):
            assert rates[name][0] == rates[name][1]
        # 15.25 lb K2O come with the liquid; the rest is halved, in steps of 10 lb of 0-0-60.
        exact = (need - 15.25) / 2 / 0.6
        assert abs(rates["after-first"][0] - exact) <= 5 + 1e-6
    assert zoned["usd_product"] == pytest.approx(
        sum(line["usd"] for line in runs["kettle"].manifest["order"]))
    samples = runs["kettle"].job.soil.sample_id
    (sampling,) = [one for one in zoned["charges"] if one["what"] == "sampling"]
    assert sampling["usd"] == pytest.approx(len(samples) * 12 / 4)


def test_water_that_supplies_the_sulfur_is_said_plainly(runs: dict[str, RunResult]) -> None:
    text = words(runs["bench"].folder / "page.html")
    assert "The irrigation water already supplies the sulfur" in text


@pytest.mark.parametrize("name", ["kettle", "long-eighty", "bench"])
def test_every_number_of_the_tables_is_finite_and_the_page_lists_them(
    runs: dict[str, RunResult], name: str
) -> None:
    folder = runs[name].folder
    text = words(folder / "page.html")
    for table in ("buying.csv", "bids.csv"):
        back = pd.read_csv(folder / table, encoding="utf-8-sig")
        assert not back.select_dtypes("number").isin([float("inf"), float("-inf")]).any().any()
        assert table in text
    assert audit_run(folder=folder).arithmetic is True
    page = (folder / "page.html").read_text(encoding="utf-8")
    own = re.findall(r'<section id="(?:season|flat|buying)".*?</section>', page, re.S)
    assert len(own) == 3
    assert not re.search(r"\bnan\b|\binf\b|\bNone\b", " ".join(own))


def test_without_prices_and_charges_the_cost_is_not_known(
    copy_of: Callable[[str], Path]
) -> None:
    folder = copy_of("kettle")
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    (folder / "plan.toml").write_text(
        plan.partition("# Invented prices.")[0] + '[export]\nformats = ["geojson"]\n',
        encoding="utf-8")
    done = run_field(folder)
    assert all(one["usd_bought"] is None for one in done.manifest["money"]["buying"])
    told = done.manifest["money"]["flat_or_by_zone"]
    assert all(one["usd_more"] is None for one in told["against"])
    text = words(done.folder / "page.html")
    assert "not known" in text
    assert "$0" not in text
    assert audit_run(folder=done.folder).arithmetic is True


def test_one_rate_everywhere_is_not_held_against_itself(copy_of: Callable[[str], Path]) -> None:
    folder = edited(copy_of("bench"), ('rate = "variable"', 'rate = "flat"'))
    told = run_field(folder).manifest["money"]["flat_or_by_zone"]
    assert len(told["cases"]) == 1
    assert any("nothing to hold against flat" in text for text in told["remarks"])


def test_a_field_named_like_a_formula_is_harmless_and_the_audit_still_agrees(
    copy_of: Callable[[str], Path]
) -> None:
    folder = copy_of("bench")
    own = folder / "own.toml"
    own.write_text("""schema = 1
[[material]]
id = "=2+3 potash 0-0-60"
code = "KCL"
form = "dry"
s_form = ""
[material.analysis]
n_pct = 0.0
p2o5_pct = 0.0
k2o_pct = 60.0
s_pct = 0.0
mg_pct = 0.0
evidence = "user"
source = "label"
""", encoding="utf-8")
    edited(folder, (f'"{POTASH}"', '"=2+3 potash 0-0-60"'), ("name = \"Bench", "name = \"@Bench"),
           ("units = \"us\"\n", "units = \"us\"\nmaterials = [\"own.toml\"]\n"))
    done = run_field(folder)
    for name in ("order.csv", "buying.csv", "bids.csv"):
        raw = (done.folder / name).read_text(encoding="utf-8-sig")
        assert "'=2+3 potash" in raw
        assert not re.search(r"(^|,)\"?[=@]", raw, re.M)
    result = audit_run(folder=done.folder)
    assert result.arithmetic is True, result.faults


def test_in_short_holds_dollars_water_and_what_the_crop_takes_up(
    runs: dict[str, RunResult]
) -> None:
    short = {name: words(done.folder / "page.html").partition("For the grower What goes where")[2]
             .partition("For the applicator")[0] for name, done in runs.items()}
    told = runs["kettle"].manifest["money"]["flat_or_by_zone"]["against"][0]
    assert f"By zone costs ${told['usd_more']:,.0f} more than flat at the mean" in short["kettle"]
    assert "5 gal/ac of potassium thiosulfate 0-0-25-17S brings 15 lb K2O/ac" in short["kettle"]
    # 475 lb K at 10 tons = 372 lb K2O at 6.5 tons (K x 1.2046; common practice, no source).
    assert "the crop takes up about 372 lb K2O/ac" in short["kettle"]
    # 30 ppm SO4 / 2.996 x 8 in x 0.22661 = 18.2 lb (Oregon State, water units).
    assert "The irrigation water brings 18 lb S/ac" in short["kettle"]
    # 180 ppm SO4 and 24 in: 327 lb S, ten times what the crop takes up.
    assert "The irrigation water already supplies the sulfur: 327 lb/ac" in short["bench"]
    assert "$17,272.50" in short["kettle"]
    for text in short.values():
        assert "Spread flat at the average" not in text


def test_a_pass_for_sulfur_that_no_zone_needs_is_told(copy_of: Callable[[str], Path]) -> None:
    folder = edited(
        copy_of("bench"), (POTASH, "gypsum 0-0-0-18S"),
        ('serves = "potassium"', 'serves = "sulfur"'),
        ('rate = "variable"\nshare_of_need = 1.0\n', "rate_lb_per_ac = 100.0\n"))
    done = run_field(folder)
    assert "Pass 1 brings up to 18 lb S/ac for it all the same" in words(done.folder / "page.html")
    (one,) = (each for each in done.job.findings if each.code == "need-none-s")
    assert one.severity == "warn"
    assert "after-first serves it at a rate of its own" in one.done


def test_little_water_beside_other_supplies_does_not_get_the_praise(
    copy_of: Callable[[str], Path]
) -> None:
    # 1 in of water brings 14 lb S of the 33 that the crop takes up; manure brings the rest.
    folder = edited(copy_of("bench"), ("net_in = 24.0", "net_in = 1.0"),
                    ('book = "sulfur-balance"',
                     'book = "sulfur-balance"\nmanure_s_lb_per_ac = 40.0'))
    (text,) = (one for one in run_field(folder).job.money.comparison.remarks if "sulfur" in one)
    assert text.startswith("The sulfur is there without any product: ")
    assert "irrigation water brings 14 lb/ac" in text
    assert "manure brings 40 lb/ac" in text


@pytest.mark.parametrize(("change", "code", "where"), [
    (("step_gal_per_ac = 0.5", "step_gal_per_ac = 0.5\nhopper_lb = 250"), "plan-unit", "stubble-2"),
    (("hopper_lb = 12000", "tank_gal = 12000"), "plan-unit", "after-first"),
    (("package_lb = 500", "package_gal = 500"), "order-unit", POTASH),
    (('instead_of = "muriate of potash 0-0-60"\n', ""), "bid-not-ordered", "Lakeside"),
])
def test_units_that_do_not_fit_stop_before_anything_is_written(
    copy_of: Callable[[str], Path], change: tuple[str, str], code: str, where: str
) -> None:
    folder = edited(copy_of("kettle"), change)
    with pytest.raises(PlanError) as err:
        run_field(folder)
    assert err.value.code == code
    assert where in err.value.where
    assert not list((folder / "output").glob("run-*"))


def test_old_prices_late_bids_and_a_ticket_are_told(copy_of: Callable[[str], Path]) -> None:
    folder = edited(
        copy_of("kettle"), ("on = 2027-01-15", "on = 2027-04-30"),
        ("valid_until = 2027-01-31\n", ""),
        ("package_gal = 275\n", 'package_gal = 275\nticket_lb_per_gal = 12.5\nticket = "77"\n'))
    done = run_field(folder)
    codes = [one.code for one in done.job.findings]
    # Both prices of the plan and the quote that names no last day.
    assert codes.count("order-price-old") == 3
    assert codes.count("bid-expired") == 1
    assert "order-ticket-density" in codes
    assert audit_run(folder=done.folder).arithmetic is True
    assert "load ticket 77" in words(done.folder / "page.html")


def test_the_same_plan_gives_the_same_bytes(
    runs: dict[str, RunResult], copy_of: Callable[[str], Path]
) -> None:
    again = run_field(copy_of("kettle"))
    for name in ("buying.csv", "bids.csv", "page.html", "manifest.json"):
        assert (again.folder / name).read_bytes() == (
            runs["kettle"].folder / name).read_bytes()
    json.dumps(again.manifest, allow_nan=False)
