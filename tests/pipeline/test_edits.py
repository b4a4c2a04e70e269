"""Edits by hand from the file to the run: followed, audited, refused where they no longer fit."""

from __future__ import annotations

import json
import math
import re
import runpy
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrx.audit import audit_run
from vrx.errors import ExportError, InputError, PlanError, PlanInfeasible, VrxError
from vrx.pipeline import RunResult, check_field, compare_field, edits, plan_sampling, run_field
from vrx.pipeline.edit_field import OpenField, log_json, open_field
from vrx.pipeline.edits_record import edits_moved
from vrx.plan.edits import EDITS_NAME

made = runpy.run_path(str(Path(__file__).with_name("edit_builders.py")))
CopyOf = Callable[[str], Path]
POOR = "known poor stand"


def files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes()
            for p in sorted(folder.rglob("*")) if p.is_file()}


def across(held: OpenField, letter: str) -> list[tuple[float, float]]:
    """A line from north to south through the middle of a zone."""
    zone = next(one for one in held.zones.zones if one.letter == letter)
    _, south, _, north = zone.polygon.bounds
    east = zone.polygon.representative_point().x
    return [(east + 0.25, south - 20), (east, north + 20)]


def rate_of(result: RunResult, pass_id: str, zone_id: int) -> float:
    one = next(one for one in result.job.prescription.passes if one.pass_id == pass_id)
    return float(one.rates[result.job.prescription.zone_ids.index(zone_id)])


def edited(folder: Path) -> tuple[OpenField, int]:
    """Zone C split, the larger piece at 120 lb/ac in the first pass; the field and that zone's id.
    """
    held = open_field(folder)
    log = edits.split(folder, zone_id=held.zone_id("C"), line=across(held, "C"), **held.place)
    held = open_field(folder)
    assert held.log.records == log.records
    zone_id = held.zone_id("C")
    edits.set_rate(folder, asked=held.asked, zone_id=zone_id, pass_id="after-first", rate=120.0,
                   reason=POOR, words="since the flood", **held.place)
    return open_field(folder), zone_id


@pytest.fixture(scope="module")
def kettle(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RunResult, int]:
    """The invented pivot with two edits, run; the id of the zone with a rate by hand."""
    import shutil

    source = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle"
    folder = Path(shutil.copytree(source, tmp_path_factory.mktemp("edits") / "kettle"))
    _, zone_id = edited(folder)
    return folder, run_field(folder), zone_id


def test_a_run_follows_the_edits_and_the_audit_agrees(
    kettle: tuple[Path, RunResult, int], runs: dict[str, RunResult]
) -> None:
    _, result, zone_id = kettle
    job, plain = result.job, runs["kettle"].job
    assert rate_of(result, "after-first", zone_id) == 120.0
    assert rate_of(result, "late-summer", zone_id) == 220.0
    assert len(job.zones.zones) == len(plain.zones.zones) + 1
    assert shapely.coverage_is_valid([zone.polygon for zone in job.zones.zones])
    told = audit_run(folder=result.folder)
    assert told.arithmetic is True, [row for row in told.rows if not row.agrees]
    assert result.folder.name != runs["kettle"].folder.name
    # Totals by plain arithmetic from the rates and acres by pyproj's geodesic polygons alone.
    record = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    assert record["edits"]["number"] == 2
    assert record["edits"]["state"] == job.edits.state
    assert record["edits"]["rates_by_hand"][0]["reason"] == POOR
    for one in record["passes"]:
        steps = {line["zone_id"]: line["steps"] for line in one["steps"]}
        acres = {line["zone_id"]: line["area_ac"] for line in record["zones"]}
        assert one["prescription_total"] == pytest.approx(
            sum(steps[i] * one["step"] * acres[i] for i in steps), rel=1e-9)
    [line] = record["passes"][0]["by_hand"]
    assert (line["rate"], line["rule_rate"], line["words"]) == (120.0, 220.0, "since the flood")
    zone = next(one for one in job.zones.zones if one.zone_id == zone_id)
    assert line["k2o_lb"] == pytest.approx(-100 * 0.6 * zone.area_ac, rel=1e-9)


def test_needs_stay_and_the_difference_is_told(kettle: tuple[Path, RunResult, int]) -> None:
    _, result, zone_id = kettle
    job = result.job
    at = job.prescription.zone_ids.index(zone_id)
    beside = job.prescription.zone_ids.index(max(job.prescription.zone_ids))
    assert job.needs["K2O"][at].lb_per_ac == pytest.approx(job.needs["K2O"][beside].lb_per_ac,
                                                           rel=0.2)
    [told] = [one for one in job.findings if one.code == "prescription-by-hand"]
    assert told.severity.value == "warn"
    assert "zone C, pass after-first" in told.where
    assert "120 lb/ac set by hand, the rule gives 220 lb/ac" in told.what
    assert "known poor stand: since the flood" in told.what
    assert "lb K2O" in told.what
    assert "need stays" in told.done
    assert any(one.code == "prescription-k2o-not-met" and "C (" in one.what
               for one in job.findings)


def test_page_and_sheet_mark_rates_set_by_hand(
    kettle: tuple[Path, RunResult, int], runs: dict[str, RunResult]
) -> None:
    _, result, zone_id = kettle
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    # The table of all passes and the sheet of this pass.
    assert page.count("† 120<") == 2
    assert page.count("zone C 120 lb/ac set by hand, the rule gives 220: "
                      "known poor stand: since the flood.") == 2
    one = result.job.prescription.passes[0]
    assert one.rule_planned_total is not None
    moved = one.rule_planned_total - one.planned_total
    assert moved == pytest.approx(100 * result.job.prescription.zone_area_ac[
        result.job.prescription.zone_ids.index(zone_id)], rel=0.05)
    assert re.search(rf"rates set by hand .{moved:,.0f} lb", page)
    assert "edited by hand" in page
    assert "†" not in (runs["kettle"].folder / "page.html").read_text(encoding="utf-8")


def test_the_same_edits_give_the_same_bytes(
    kettle: tuple[Path, RunResult, int], copy_of: CopyOf
) -> None:
    folder, result, _ = kettle
    other = copy_of("kettle")
    (other / EDITS_NAME).write_bytes((folder / EDITS_NAME).read_bytes())
    again = run_field(other)
    assert files(again.folder) == files(result.folder)


def test_edits_that_were_undone_leave_the_run_as_it_was(
    copy_of: CopyOf, runs: dict[str, RunResult]
) -> None:
    folder = copy_of("kettle")
    edited(folder)
    edits.undo(folder)
    log = edits.undo(folder)
    assert log.cursor == 0
    assert len(log.records) == 4
    result = run_field(folder)
    assert result.folder.name == runs["kettle"].folder.name
    assert files(result.folder) == files(runs["kettle"].folder)


def test_compare_check_and_sampling_follow_the_edits(
    kettle: tuple[Path, RunResult, int], copy_of: CopyOf
) -> None:
    folder, result, _ = kettle
    job, found = compare_field(folder)
    assert [zone.zone_id for zone in job.zones.zones] == [
        zone.zone_id for zone in result.job.zones.zones]
    assert len(found[0].guides[0].need) == len(job.zones.zones)
    assert not [one for one in check_field(folder).findings if one.severity.value == "stop"]
    other = copy_of("kettle")
    (other / EDITS_NAME).write_bytes((folder / EDITS_NAME).read_bytes())
    plan = other / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    start = text.index("\n[sampling]") if "\n[sampling]" in text else len(text)
    plan.write_text(text[:start] + '\n[sampling]\nlayout = "by zones"\npoints = 24\n'
                    "depths_in = [[0, 8]]\n", encoding="utf-8")
    walked = plan_sampling(other)
    letters = {one.zone for one in walked.plan.points}
    assert {zone.letter for zone in result.job.zones.zones} >= letters
    assert "K" in letters
    assert walked.manifest["edits"] == result.job.edits.state


def test_other_zones_than_those_that_were_edited_stop_the_run(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    edited(folder)
    plan = folder / "plan.toml"
    before = plan.read_bytes()
    plan.write_bytes(before.replace(b"smallest_ac = 2.0", b"smallest_ac = 4.0"))
    with pytest.raises(PlanError) as caught:
        run_field(folder)
    assert caught.value.code == "edits-stale"
    assert "--set-aside" in caught.value.hint
    assert "put back" in caught.value.hint
    assert not (folder / "output").exists()
    assert [one.code for one in check_field(folder).findings
            if one.severity.value == "stop"] == ["edits-stale"]
    with pytest.raises(PlanError) as caught:
        open_field(folder).zones  # noqa: B018
    assert caught.value.code == "edits-stale"
    # Undo needs no zones, and what is left of the edits then holds again.
    edits.undo(folder)
    edits.undo(folder)
    assert run_field(folder).job.edits.state == ""
    with pytest.raises(PlanError) as caught:
        edits.redo(folder, base=open_field(folder).base)
    assert caught.value.code == "edits-stale"
    plan.write_bytes(before)
    edits.redo(folder, base=open_field(folder).base)
    edits.redo(folder)
    assert run_field(folder).job.edits.number == 2
    kept = (folder / EDITS_NAME).read_bytes()
    assert edits.set_aside(folder).read_bytes() == kept
    assert run_field(folder).job.edits.state == ""


def test_rates_alone_hold_as_long_as_their_zones_are_there(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    held = open_field(folder)
    ids = {letter: held.zone_id(letter) for letter in "EA"}
    edits.set_rate(folder, asked=held.asked, zone_id=ids["E"], pass_id="late-summer", rate=150.0,
                   reason="other", words="left from last year", **held.place)
    plan = folder / "plan.toml"
    before = plan.read_bytes()
    # Another goal moves rates, not zones.
    plan.write_bytes(before.replace(b"tons_per_ac = 6.5", b"tons_per_ac = 7.0"))
    result = run_field(folder)
    assert rate_of(result, "late-summer", ids["E"]) == 150.0
    # Other zones are cut: the rate's own is not there any more, and that is told.
    plan.write_bytes(before.replace(b"smallest_ac = 2.0", b"smallest_ac = 6.0"))
    with pytest.raises(PlanInfeasible) as caught:
        run_field(folder)
    assert caught.value.code == "edits-rate-stale"
    assert "pass late-summer" in str(caught.value)
    assert "150 lb/ac" in str(caught.value)
    # Another rate goes on beside it once it is cleared.
    edits.clear_rate(folder, zone_id=ids["E"], pass_id="late-summer")
    held = open_field(folder)
    edits.set_rate(folder, asked=held.asked, zone_id=held.zone_id("A"), pass_id="late-summer",
                   rate=150.0, reason=POOR, **held.place)
    assert run_field(folder).job.edits.number == 3


def test_a_rate_whose_zone_was_edited_stops_the_run_by_name(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    held, zone_id = edited(folder)
    zone = next(one for one in held.zones.zones if one.zone_id == zone_id)
    log = edits.split(folder, zone_id=zone_id, line=across(held, zone.letter), **held.place)
    now = edits.apply_zones(held.base, log, held.field)
    assert [one.zone_id for one in edits.stale_overrides(log, now)] == [zone_id]
    with pytest.raises(PlanInfeasible) as caught:
        run_field(folder)
    assert caught.value.code == "edits-rate-stale"
    [told] = caught.value.findings
    assert told.where == f"zone with id {zone_id}, pass after-first"
    assert "is not there any more" in told.what
    edits.clear_rate(folder, zone_id=zone_id, pass_id="after-first")
    assert run_field(folder).job.edits.rates == ()
    with pytest.raises(InputError) as no_rate:
        edits.clear_rate(folder, zone_id=zone_id, pass_id="after-first")
    assert no_rate.value.code == "edits-no-rate"


def test_another_material_than_the_rate_was_set_for_stops_the_run(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    edited(folder)
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace(
        'material = "muriate of potash 0-0-60"', 'material = "potassium sulfate 0-0-50-17S"', 1),
        encoding="utf-8")
    with pytest.raises(PlanInfeasible) as caught:
        run_field(folder)
    assert caught.value.code == "prescription-by-hand-material"
    assert "zone C, pass after-first" in str(caught.value)


@pytest.mark.parametrize(("given", "code"), [
    ({"rate": 125.0}, "prescription-by-hand-step"),
    ({"rate": math.nan}, "prescription-by-hand-value"),
    ({"rate": math.inf}, "prescription-by-hand-value"),
    ({"rate": -10.0}, "prescription-by-hand-value"),
    ({"rate": 1e6}, "prescription-by-hand-limit"),
    ({"reason": "because"}, "prescription-by-hand-reason"),
    ({"reason": "other"}, "prescription-by-hand-reason"),
    ({"pass_id": "stubble-2", "rate": 6.0}, "prescription-by-hand-one-rate"),
    ({"pass_id": "nowhere"}, "edits-pass"),
    ({"zone_id": 99}, "edits-zone"),
])
def test_a_rate_that_cannot_be_is_refused_and_not_written(
    copy_of: CopyOf, given: dict[str, Any], code: str
) -> None:
    folder = copy_of("kettle")
    held = open_field(folder)
    with pytest.raises(VrxError) as caught:
        edits.set_rate(folder, asked=held.asked, **{
            "zone_id": 3, "pass_id": "after-first", "rate": 120.0, "reason": POOR, **given},
            **held.place)
    assert caught.value.code == code
    assert not (folder / EDITS_NAME).exists()


def test_rates_of_a_joint_plan_can_be_set_by_hand(copy_of: CopyOf) -> None:
    folder = copy_of("long-eighty")
    (folder / "season.toml").replace(folder / "plan.toml")
    held = open_field(folder)
    before = held.asked.prescription
    one = next(each for each in before.passes if each.kind == "variable" and each.rates.any())
    zone = held.zones.zones[int(np.argmax(one.rates))]
    wanted = float(one.rates.max()) - 2 * one.step
    edits.set_rate(folder, asked=held.asked, zone_id=zone.zone_id, pass_id=one.pass_id,
                   rate=wanted, reason="product on hand", **held.place)
    result = run_field(folder)
    assert rate_of(result, one.pass_id, zone.zone_id) == wanted
    assert {f.code for f in result.job.findings} >= {
        "prescription-by-hand", "prescription-by-hand-mix"}
    told = audit_run(folder=result.folder)
    assert told.arithmetic is True, [row for row in told.rows if not row.agrees]
    # The plan is the same but for that rate.
    at = held.zones.zones.index(zone)
    for mine, theirs in zip(result.job.prescription.passes, before.passes, strict=True):
        rest = np.arange(len(mine.rates)) != (at if mine.pass_id == one.pass_id else -1)
        assert (mine.rates[rest] == theirs.rates[rest]).all()


def test_two_windows(tmp_path: Path) -> None:
    field, base = made["nine"]()
    place: dict[str, Any] = {"base": base, "field": field}
    start = edits.state(edits.read_edits(tmp_path), base)
    first = edits.merge(tmp_path, zone_ids=[1, 2], on=start, **place)
    written = first.file.read_bytes()
    for again in (
        lambda: edits.merge(tmp_path, zone_ids=[4, 5], on=start, **place),
        lambda: edits.undo(tmp_path, base=base, on=start),
        lambda: edits.set_rate(tmp_path, asked=made["asked"](base), zone_id=4, pass_id="spring",
                               rate=100.0, reason=POOR, on=start, **place),
        # Needs of zones that are no more: also without a word of the state.
        lambda: edits.set_rate(tmp_path, asked=made["asked"](base), zone_id=4, pass_id="spring",
                               rate=100.0, reason=POOR, **place),
    ):
        with pytest.raises(PlanError) as caught:
            again()
        assert caught.value.code == "edits-moved-on"
        assert "reload" in caught.value.hint
        assert first.file.read_bytes() == written
    now = edits.state(first, base)
    assert edits.merge(tmp_path, zone_ids=[4, 5], on=now, **place).cursor == 2


def test_an_edit_that_changes_nothing_is_not_written(tmp_path: Path) -> None:
    field, base = made["nine"]()
    place: dict[str, Any] = {"base": base, "field": field}
    log = edits.rename(tmp_path, zone_id=1, letter=base.zones[0].letter, **place)
    assert log.records == ()
    asked = made["asked"](base)
    for _ in range(2):
        log = edits.set_rate(tmp_path, asked=asked, zone_id=1, pass_id="spring", rate=100.0,
                             reason=POOR, **place)
    assert len(log.records) == 1


@pytest.mark.parametrize("wrong", [math.nan, math.inf, "east"])
def test_places_that_are_no_numbers_are_refused(tmp_path: Path, wrong: Any) -> None:
    field, base = made["nine"]()
    place: dict[str, Any] = {"base": base, "field": field}
    for edit in (
        lambda: edits.split(tmp_path, zone_id=1, line=[(wrong, 0.0), (1.0, 500.0)], **place),
        lambda: edits.redraw(tmp_path, between=(1, 2), line=[(0.0, wrong), (1.0, 5.0)], **place),
        lambda: edits.move_corner(tmp_path, corner=(100.0, 100.0), to=(wrong, 0.0), **place),
        lambda: edits.move_corner(tmp_path, corner=(wrong, 100.0), to=(90.0, 100.0), **place),
    ):
        with pytest.raises(VrxError) as caught:
            edit()
        assert caught.value.code.startswith("edit")
        assert not (tmp_path / EDITS_NAME).exists()


def test_ids_of_an_undone_edit_stay_retired(tmp_path: Path) -> None:
    field, base = made["nine"]()
    place: dict[str, Any] = {"base": base, "field": field}
    log = edits.merge(tmp_path, zone_ids=[1, 2], **place)
    assert log.records[0].result.made == (10,)  # type: ignore[union-attr]
    edits.undo(tmp_path, base=base)
    log = edits.merge(tmp_path, zone_ids=[1, 2], **place)
    assert log.records[-1].result.made == (11,)  # type: ignore[union-attr]
    assert edits.apply_zones(base, log, field).next_id == 12


@pytest.mark.parametrize("change", [
    lambda row: row["result"]["zones"][0].update(polygon="00" * 30),
    lambda row: row["result"]["zones"][0].update(polygon=row["result"]["zones"][0]["polygon"][:-8]),
    lambda row: row["result"]["zones"][0].update(position=80),
    lambda row: row["result"]["removed"].append(77),
    lambda row: row["result"]["removed"].clear(),
    lambda row: row["result"]["zones"][0].update(letter="Q"),
    lambda row: row["result"]["zones"][0].update(
        polygon=row["result"]["zones"][0]["polygon"][:-16] + struct.pack("<d", math.nan).hex()),
    lambda row: row["result"]["zones"][0].update(
        polygon=shapely.to_wkb(shapely.Point(0, 0), hex=True).lower()),
    lambda row: row["result"]["zones"].append(row["result"]["zones"][0]),
    lambda row: row.update(state="0" * 24 + row["state"][24:]),
])
def test_a_record_that_was_tampered_with_is_told_by_its_line(
    tmp_path: Path, change: Callable[[dict[str, Any]], None]
) -> None:
    field, base = made["nine"]()
    log = edits.merge(tmp_path, zone_ids=[1, 2], base=base, field=field)
    row = json.loads(log.file.read_text(encoding="utf-8"))
    change(row)
    log.file.write_text(json.dumps(row) + "\n", encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        edits.apply_zones(base, edits.read_edits(tmp_path), field)
    assert caught.value.code == "edits-line"
    assert "edits.jsonl line 1" in str(caught.value)


def test_a_forged_hole_in_the_coverage_is_found_behind_a_right_hash(tmp_path: Path) -> None:
    field, base = made["nine"]()
    log = edits.merge(tmp_path, zone_ids=[1, 2], base=base, field=field)
    row = json.loads(log.file.read_text(encoding="utf-8"))
    line = row["result"]["zones"][0]
    small = shapely.from_wkb(bytes.fromhex(line["polygon"])).buffer(-5)
    line["polygon"] = shapely.to_wkb(small, hex=True, byte_order=1).lower()
    from vrx.pipeline.edit_fold import folded, zones_hash

    row["state"] = "0" * 24 + row["state"][24:]
    log.file.write_text(json.dumps(row) + "\n", encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        told: list[str] = []
        patch.setattr("vrx.pipeline.edit_fold.zones_hash",
                      lambda held: told.append(zones_hash(held)) or (
                          "0" * 24 if len(held.zones) == 8 else zones_hash(held)))
        assert len(folded(base, edits.read_edits(tmp_path), field).zones) == 8
        with pytest.raises(PlanError, match="cover the field"):
            edits.apply_zones(base, edits.read_edits(tmp_path), field)


def test_a_run_goes_on_past_a_torn_line_and_says_so(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    edited(folder)
    with (folder / EDITS_NAME).open("ab") as stream:
        stream.write(b'{"seq": 3, "after": 2, "on": "12')
    result = run_field(folder)
    assert result.job.edits.number == 2
    assert result.job.findings[0].code == "edits-torn"


def test_a_job_record_tells_whether_edits_moved_since(
    kettle: tuple[Path, RunResult, int], runs: dict[str, RunResult], tmp_path: Path
) -> None:
    folder, result, _ = kettle
    (tmp_path / EDITS_NAME).write_bytes((folder / EDITS_NAME).read_bytes())
    plain = runs["kettle"].manifest
    log = edits.read_edits(tmp_path)
    assert (edits_moved(log, result.manifest), edits_moved(log, plain)) == (False, True)
    log = edits.undo(tmp_path)  # the rate
    assert (edits_moved(log, result.manifest), edits_moved(log, plain)) == (True, True)
    log = edits.undo(tmp_path)  # the split
    assert (edits_moved(log, result.manifest), edits_moved(log, plain)) == (True, False)
    edits.redo(tmp_path)
    log = edits.redo(tmp_path)
    assert not edits_moved(log, result.manifest)
    assert not edits_moved(edits.read_edits(tmp_path / "nowhere"), plain)


def test_zones_that_a_hand_made_small_or_narrow_are_told(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    held = open_field(folder)
    zone = next(one for one in held.base.zones if one.letter == "E")
    west, south, _, north = zone.polygon.bounds
    log = edits.split(folder, zone_id=zone.zone_id,
                      line=[(west + 4, south - 50), (west + 4, north + 50)], **held.place)
    now = edits.apply_zones(held.base, log, held.field)
    sliver = min(now.zones, key=lambda one: one.area_ac)
    assert sliver.area_ac < 2.0
    found = {one.code: one for one in run_field(folder).job.findings}
    assert f"{sliver.letter} (" in found["zones-by-hand-small"].what
    assert sliver.letter in found["zones-by-hand-narrow"].what


def test_a_list_of_edits_in_plain_words(kettle: tuple[Path, RunResult, int]) -> None:
    folder, _, zone_id = kettle
    told = log_json(edits.read_edits(folder))
    assert told["cursor"] == 2
    assert [row["in_force"] for row in told["records"]] == [True, True]
    assert told["records"][0]["words"].startswith("zone 3 split into 10 (C), 11 (K)")
    assert f"zone {zone_id}, pass after-first: 120 lb/ac" in told["records"][1]["words"]
    assert "polygon" not in json.dumps(told)


def test_ten_thousand_edits_are_folded_fast(tmp_path: Path) -> None:
    import time

    field, base = made["nine"]()
    place: dict[str, Any] = {"base": base, "field": field}
    log = edits.read_edits(tmp_path)
    corner = next(
        (float(e), float(n)) for e, n in np.unique(np.vstack(
            [shapely.get_coordinates(zone.polygon) for zone in base.zones]), axis=0)
        if abs(e) < 120 and abs(n) < 120)
    for _ in range(4):
        to = (corner[0] + 1.5, corner[1])
        log = edits.move_corner(tmp_path, corner=corner, to=to, known=log, **place)
        log = edits.move_corner(tmp_path, corner=to, to=corner, known=log, **place)
    rows = [json.loads(line) for line in log.file.read_text(encoding="utf-8").splitlines()]
    there, back = rows[2], rows[3]
    long = [rows[0], rows[1], *(
        {**(there if seq % 2 else back), "seq": seq, "after": seq - 1}
        for seq in range(3, 10_001))]
    log.file.write_text("\n".join([*(json.dumps(row) for row in long), ""]), encoding="utf-8")
    start = time.process_time()
    read = edits.read_edits(tmp_path)
    reading = time.process_time() - start
    start = time.process_time()
    held = edits.apply_zones(base, read, field)
    folding = time.process_time() - start
    assert len(read.path()) == 10_000
    assert len(held.zones) == 9
    start = time.process_time()
    edits.move_corner(tmp_path, corner=corner, to=(corner[0] + 2, corner[1]), known=read, **place)
    editing = time.process_time() - start
    assert reading < 10
    assert folding < 2
    assert editing < 4


def test_a_locked_output_does_not_touch_the_edits(
    kettle: tuple[Path, RunResult, int]
) -> None:
    from filelock import FileLock

    folder, _, _ = kettle
    before = (folder / EDITS_NAME).read_bytes()
    with FileLock(folder / "output" / ".lock"), pytest.raises(ExportError):
        run_field(folder)
    assert (folder / EDITS_NAME).read_bytes() == before
