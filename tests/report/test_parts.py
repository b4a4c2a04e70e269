"""Three parts for three readers, and the applicator's part as a document of its own."""

import re
from dataclasses import replace
from datetime import date

import pytest

from vrx.model import Care, PassWindow, TankFills, stop, warn
from vrx.report import page, page_views, sheet
from vrx.report.sheets import sheet_views

CAUTIONS = {"pass-1": ("Keep off water (read)",), "pass-2": ("Check valves (read)", "Keep off")}


@pytest.fixture(scope="module")
def views(job, builders):
    return page_views(job, run="0007", cautions=builders.CAUTIONS, files=builders.FILES,
                      pass_cautions=CAUTIONS)


def part(text, name):
    """The text of one part."""
    return text.split(f'<div class="part" id="{name}"')[1].split('<div class="part"')[0]


def test_three_parts_stand_in_their_order_and_can_be_reached(views):
    text = page(views)
    assert re.findall(r'<div class="part" id="(\w+)"', text) == ["grower", "applicator",
                                                               "agronomist"]
    links = re.findall(r'<nav class="readers".*?</nav>', text, re.S)[0]
    assert re.findall(r'href="#(\w+)"', links) == ["grower", "applicator", "agronomist", "whole"]
    for name in ("short", "sheet", "findings", "soil", "needs", "order", "sources", "files"):
        owner = {"short": "grower", "sheet": "applicator"}.get(name, "agronomist")
        assert f'<section id="{name}"' in part(text, owner)


def test_a_part_is_shown_alone_by_its_link_and_begins_a_sheet(views):
    style = re.search(r"<style>.*?</style>", page(views), re.S)[0]
    assert ".part:target" in style
    assert re.search(r"\.part \+ \.part \{ break-before: page", style)
    assert re.search(r"#sheet \.pass \{ break-before: page", style)
    assert "size: letter" not in style  # letter and A4 alike
    assert ".paper:not([open])::details-content" in style


def test_the_sheet_alone_holds_the_applicators_part_word_for_word(views):
    whole, alone = page(views), sheet(views)
    mine = part(alone, "applicator").split("<footer>")[0]
    assert mine.strip() == part(whole, "applicator").strip()
    assert '<section id="short"' not in alone
    assert '<section id="needs"' not in alone
    assert "Estimate only" in alone


def test_no_money_stands_on_the_sheet(views, job):
    assert "$" in page(views)
    told = (warn("pass-k2o-season", "season", "this costs $900"),
            warn("pass-k2o-season", "season", "300 lb K2O/ac in one season"))
    alone = sheet(page_views(replace(job, findings=told), run="x", cautions=()))
    assert "300 lb K2O/ac in one season" in alone
    assert "$" not in re.sub(r"<style>.*?</style>", "", alone, flags=re.S)
    assert not re.search(r"\bUSD\b", alone)
    # What stops is never left out.
    halted = replace(job, findings=(stop("rate-stop", "zone A", "no rate at $1"),))
    assert "no rate at $1" in sheet(page_views(halted, run="x", cautions=()))


def test_what_a_pass_needs_stands_on_its_own_sheet(views, job):
    text = part(page(views), "applicator")
    sheets = text.split('<article class="pass"')[1:]
    assert len(sheets) == len(job.prescription.passes)
    for one, said in zip(job.prescription.passes, sheets, strict=True):
        assert f"Pass {one.number}: {one.timing}" in said
        assert one.column in said
        assert said.count("<svg") == 1
        for zone, rate, area in zip(job.zones.zones, one.rates.tolist(),
                                    job.prescription.zone_area_ac, strict=True):
            shown = f"{rate:.2f}" if one.step < 1 else f"{rate:.0f}"
            assert (f'<th scope="row">{zone.letter}</th><td class="n">{zone.area_ac:,.2f}</td>'
                    f'<td class="n rate">{shown}</td><td class="n">{rate * area:,.0f}</td>') in said
        for blank in ("Date", "Start", "Stop", "Operator", "Licence", "Wind, mph and from",
                      "Temperature, °F", "Product, ticket", "Total on the screen"):
            assert f"<li>{blank}</li>" in said
        assert "Operator, signature" in said
        assert "outside the field 0" in said
    assert "Keep off water (read)" in sheets[0]
    assert "Check valves" not in sheets[0]
    assert "Check valves (read)" in sheets[1]
    assert "Cautions" not in sheets[2]


def test_without_cautions_by_pass_all_of_them_stand_after_the_sheets(job, builders, written):
    after = part(written(job), "applicator").split('<article class="pass"')[-1]
    for text in builders.CAUTIONS:
        assert text in after


def test_window_and_fills_stand_on_the_sheet_or_are_left_to_write(job):
    windows = (
        PassWindow(pass_id="pass-1", number=1, timing="t", opens=date(2027, 5, 31),
                   closes=date(2027, 6, 2), on=date(2027, 6, 9), closed=False, fits=False,
                   words="w"),
        PassWindow(pass_id="pass-3", number=3, timing="t", opens=None, closes=None, on=None,
                   closed=False, fits=None, words="w"))
    fill = TankFills(
        pass_id="pass-2", number=2, material="m", unit="gal", tank=275.0, total=627.0, fills=3,
        last_fill=77.0, acres_per_fill=55.0, acres_at_most=50.0)
    held = replace(job, care=Care(windows=windows), money=replace(job.money, fills=(fill,)))
    made = sheet_views(held, {})
    assert made[1].window == "May 31, 2027 to Jun 2, 2027"
    assert made[1].window_bad
    assert made[1].planned == "Jun 9, 2027: does not fit"
    assert made[2].fills == ("3 of at most 275 gal, the last 77.0 gal; a full tank covers 55.0 ac "
                             "at the average rate where it spreads, 50.0 ac at the highest")
    assert made[3].window == ""
    text = sheet(page_views(held, run="x", cautions=()))
    assert "3 of at most 275 gal" in text
    assert "not known here: ______ to ______" in text
    assert '<b class="told">May 31, 2027 to Jun 2, 2027</b>' in text


@pytest.mark.parametrize(("shape", "columns"), [("five_zones", 2), ("forty_zones", 4)])
def test_zones_stand_in_columns_of_about_equal_height(builders, shape, columns):
    job = builders.make_job(polygons=getattr(builders, shape)(builders.boundary()), cell_m=20.0)
    made = sheet_views(job, {})[1].zones
    assert len(made) == columns
    assert [row[0] for column in made for row in column] == [z.letter for z in job.zones.zones]
    assert max(map(len, made)) - len(made[0]) == 0


def test_what_stops_or_changes_pounds_or_safety_stands_before_all_parts(job):
    told = (warn("surface-outlier", "potassium", "map words"),
            warn("pass-k2o-season", "season", "pound words", todo="spread it"),
            *(warn("prescription-treated-acres", f"pass {k}", f"acre words {k}")
              for k in range(9)))
    views = page_views(replace(job, findings=told), run="x", cautions=())
    top = page(views).split('<nav class="readers"')[0]
    # In the catalogue's plain words, with the figures of this field.
    assert ("<b>The season brings more K2O to a zone than crop and hay bear by the source.</b> "
            "pound words. <span class=\"todo\">To do: Spread it.</span>") in top
    assert "map words" not in top
    assert len(views["first"]) <= 7
    # None is lost: what is not at the top is in the audit.
    audit = part(page(views), "agronomist")
    assert all(f"acre words {k}" in audit for k in range(9))
    assert "map words" in audit


def test_the_growers_part_is_plain(views):
    text = re.sub(r"<svg.*?</svg>", "", part(page(views), "grower"), flags=re.S)
    for word in ("standard error", "nugget", "variogram", "kriging", "root mean square", "skill",
                 "SHA-256", "median", "percentile"):
        assert word not in text.lower()
    said = " ".join(re.sub(r"<[^>]+>", " ", text).split())
    assert len(said.split()) < 600  # about two screens
    for head in ("What", "How much, and the cost", "One flat rate everywhere, or by zone",
                 "What is not known"):
        assert f"<dt>{head}</dt>" in text


def test_numbers_of_a_finding_keep_to_what_people_read(job):
    views = page_views(replace(job, findings=(
        warn("prescription-treated-acres", "pass 2", "more is wetted", value="3.61579 ac"),)),
        run="x", cautions=())
    assert "more is wetted (3.616 ac)." in page(views)


def test_the_applicator_is_told_what_a_pass_or_safety_needs_and_not_how_needs_were_found(job):
    told = (warn("prescription-s-not-met", "season", "the need is short"),
            warn("rules-from-memory", "some-guide", "equation words"),
            warn("prescription-treated-acres", "pass pass-2", "more is wetted"),
            warn("feed-high", "hay", "safety words"))
    views = page_views(replace(job, findings=told), run="x", cautions=())
    carried = sheet(views).split('id="applicator"')[0]
    assert "safety words" in carried
    assert "need is short" not in carried
    assert "equation words" not in carried
    # What to do in this case, but never in keys of the plan.
    for todo, plain in (("shut the nozzle off there", "Shut the nozzle off there."),
                        ("set apply_to = 'cells' in [need]", "Split the zones, or let the plan")):
        one = warn("need-cells-differ", "K2O", "words", todo=todo)
        made = page_views(replace(job, findings=(one,)), run="x", cautions=())
        assert made["first"][0].plain_todo.startswith(plain)
    # A pass is named as the sheet names it: its id stands in the plan alone.
    assert "pass 2: more is wetted" in carried
    assert "pass pass-2" not in page(views)
    top = page(views).split('<nav class="readers"')[0]
    assert "need is short" in top
    assert "equation words" in top


def test_the_grower_reads_which_zone_gets_which_rate(job, crowded):
    text = part(page(page_views(job, run="x", cautions=())), "grower")
    some = next(one for one in job.prescription.passes if one.rates.min() < one.rates.max())
    zone = job.zones.zones[int(some.rates.argmax())].letter
    told = next(one for one in page_views(job, run="x", cautions=())["passes"]
                if one.number == some.number).where
    assert told in text
    assert re.fullmatch(rf"By zone: \d+ {some.material.unit} in .*\b{zone}\.", told)
    # With many zones a sentence would be a page: the map tells.
    assert len(crowded.zones.zones) > 15
    many = page_views(crowded, run="x", cautions=())["passes"]
    assert all(one.where == "" or one.where.startswith("The same") for one in many)
    assert "shows where" in part(page(page_views(crowded, run="x", cautions=())), "grower")


def test_one_pass_has_no_table_of_all_passes(job):
    alone = replace(job, prescription=replace(
        job.prescription, passes=job.prescription.passes[:1]))
    text = sheet(page_views(alone, run="x", cautions=()))
    assert "All passes together" not in text
    assert 'id="pass-1"' in text
    assert "All passes together" in sheet(page_views(job, run="x", cautions=()))


def test_inputs_stand_with_their_hashes(job, builders):
    text = part(page(page_views(
        job, run="x", cautions=(), files=builders.FILES,
        inputs=[("soil <1>.csv", "ab" * 32), ("guide some-guide", "cd" * 32)])), "agronomist")
    assert f"soil &lt;1&gt;.csv</th><td><code>{'ab' * 32}" in text
    assert f"guide some-guide</th><td><code>{'cd' * 32}" in text
