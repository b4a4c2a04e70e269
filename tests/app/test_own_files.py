"""The whole job with the user's own files, from an empty folder to a file that was fetched.

Twice: by mouse and by keyboard alone (`hands.py`). What was handed over is then judged from
outside: pyshp and json read it, `pyproj.Geod` (Karney's geodesics on WGS 84) measures it, totals
are rate times acres, and the command line comes to the same run.
"""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

REASON, OWN_WORDS = "known poor stand", "thin stand in the low corner"
POTASH, GYPSUM = "muriate of potash 0-0-60", "gypsum 0-0-0-18S"


def _id(key: str) -> str:
    """The id of a key's control, as `vrx/app/controls.py` makes it."""
    return "key-" + re.sub(r"[^A-Za-z0-9]+", "-", key).strip("-")


def test_the_whole_job_with_own_files(  # noqa: PLR0917 - fixtures
    empty: Path, page, serve_folder, tools, own, hand
) -> None:
    files = own.write(empty.parent / "from the desk")
    app = serve_folder(empty)
    page.goto(app.link)
    _bring(hand, files)
    _answer_everything(hand, own.ANSWERS)
    _look_at_samples(hand)
    _draw_coarser_maps(hand)
    _change_zones(hand, empty)
    _choose_guides(hand)
    _plan_the_season(hand)
    kept = _hand_over(hand, empty)
    edits = [json.loads(line) for line in (empty / "edits.jsonl").read_text().splitlines()]
    _judge_from_outside(kept, edits, own.outline())
    _the_command_line_agrees(empty, kept)


def _bring(hand, files: tuple[Path, Path]) -> None:
    """Bring both files, say which is which, and give the field its name."""
    page = hand.page
    hand.bring("#bring-files", list(files))
    hand.press("#bring button")
    page.wait_for_selector("text=Make the plan")
    hand.settled()
    said = page.inner_text("#files-list")
    assert "seems to be: the field's boundary" in said
    assert "seems to be: soil tests" in said
    hand.tick("#boundary-1")
    hand.tick("#samples-1")
    hand.type("#name", "North eighty")
    hand.press("#files-plan button.main")
    page.wait_for_selector("#answers")
    hand.settled()


def _answer_everything(hand, answers: dict) -> None:
    """Every open line, section by section, as the page asks."""
    page = hand.page
    for _ in range(20):
        if not page.locator("#answers").count():
            break
        title = page.inner_text("#question h2")
        for key in page.eval_on_selector_all("#answers [name=key]", "all => all.map(o => o.value)"):
            at, told = f"#{_id(key)}", answers[key]
            if isinstance(told, tuple):
                hand.type(f"{at}-top", told[0])
                hand.type(f"{at}-bottom", told[1])
            elif page.evaluate("at => document.querySelector(at).tagName", at) == "SELECT":
                hand.choose(at, told)
            else:
                hand.type(at, told)
        hand.press("#answers button.main")
        page.wait_for_function(
            "title => document.querySelector('#question h2')?.textContent !== title"
            " || document.querySelector('.beside-trouble')", arg=title)
        hand.settled()
        assert page.locator(".beside-trouble").count() == 0, page.inner_text(".beside-trouble")
    page.wait_for_selector("text=The plan is complete")


def _look_at_samples(hand) -> None:
    """The samples get their names; every reading is there; one whose bag was mixed up goes."""
    page = hand.page
    hand.step(2)
    hand.open("#samples-of-table")
    hand.type("#key-soil-id-column", "Smp. No.")
    hand.work("#samples-of-table button.main", "Saved")
    assert page.inner_text("#samples-read").count("36") >= 3
    hand.open("#samples-all")
    hand.work("#out-C4", "Sample C4 is left out")
    hand.open("#samples-all")
    assert page.locator("#out-C4").count() == 0
    assert page.locator("#back-C4").count() == 1


def _draw_coarser_maps(hand) -> None:
    """Coarser cells, another soil test, and how sure it is."""
    page = hand.page
    hand.step(3)
    hand.type("#key-surface-cell-m", "15")
    hand.work("#maps-how > form button.main", "Saved")
    hand.work("#show-sulfate", "Map of")
    assert "ulfate" in page.get_attribute("#maps-drawn", "aria-label")
    hand.work("#show-potassium", "Map of")
    hand.open("#maps-details")
    assert "left out" in page.inner_text("#maps-details")


def _change_zones(hand, folder: Path) -> None:
    """Breaks of one's own; then split, merge, a corner, a rate by hand, undo and redo."""
    page = hand.page
    hand.step(4)
    hand.type("#key-zones-breaks-potassium", "100, 125, 150")
    hand.work("#make-form button.main", "zones instead of")
    made = hand.zones()
    assert len(made) >= 3
    largest = max(made, key=made.get)
    hand.split(largest)
    hand.until(len(made) + 1)
    first, second = (one for one in hand.zones() if one not in made)
    hand.merge(second, hand.sheet(second)["neighbour"])
    hand.until(len(made))
    merged = next(one for one in hand.zones() if one not in made and one != first)
    before = _lines(folder)
    hand.corner(merged)
    _until_lines(page, folder, before + 1)
    hand.leave_tool()
    moved = page.inner_text("#zone-sum")
    hand.undo()
    hand.said("Undone")
    _until_lines(page, folder, before + 2)
    hand.redo()
    hand.said("Done again")
    _until_lines(page, folder, before + 3)
    assert page.inner_text("#zone-sum") == moved
    hand.open_zone(merged)
    page.wait_for_selector("#card-rate")
    hand.settled()
    hand.open("#card-rate")
    hand.type("#rate-rate", "170")
    hand.choose("#rate-reason", REASON)
    hand.type("#rate-words", OWN_WORDS)
    hand.press("#rate-form button.main")
    _until_lines(page, folder, before + 4)
    hand.settled()
    assert "by hand" in page.inner_text(f"#row-{merged}")


def _lines(folder: Path) -> int:
    path = folder / "edits.jsonl"
    return len(path.read_text(encoding="utf-8").splitlines()) if path.exists() else 0


def _until_lines(page, folder: Path, count: int) -> None:
    for _ in range(1200):
        if _lines(folder) >= count:
            return
        page.wait_for_timeout(50)
    raise AssertionError(page.inner_text("#tool-trouble") + page.inner_text("#trouble"))


def _choose_guides(hand) -> None:
    """Sulfur by another guide; why the K2O number of the first zone is what it is."""
    page = hand.page
    hand.step(5)
    hand.open("#guide-S-sulfur-balance")
    hand.work("#use-S-sulfur-balance", "Sulfur by")
    first = next(iter(page.eval_on_selector_all(
        "[id^=why-K2O-]", "all => all.map(one => one.id)")))
    hand.press(f"#{first}")
    page.wait_for_selector("#needs-why h2")
    hand.settled()
    said = page.inner_text("#needs-why")
    assert "tri-state-2020" in said or "Tri-State" in said
    assert page.locator("#needs-why tbody tr").count() >= 3
    hand.press("#why-close")


def _plan_the_season(hand) -> None:
    """A second pass at a fixed rate, then another rate for it; prices of both materials."""
    page = hand.page
    hand.step(6)
    hand.open("#season-add")
    hand.type("#add-timing", "stubble of cutting 2")
    hand.choose("#add-method", "broadcast")
    hand.choose("#add-material", GYPSUM)
    hand.choose("#add-way", "fixed")
    hand.choose("#add-serves", "sulfur")
    hand.type("#add-rate", "100")
    hand.type("#add-step", "10")
    hand.work("#season-add button.main", "added")
    number = 2
    folded = page.locator("#season-passes details[id^=season-pass-]").nth(1).get_attribute("id")
    hand.open(f"#{folded}")
    hand.type(f"#key-pass-{number}-rate-lb-per-ac", "120")
    hand.work(f"#{folded} button.main", "Saved")
    for name, usd in ((POTASH, "480"), (GYPSUM, "60")):
        at = "#key-prices-" + name.replace(" ", "-")
        hand.type(f"{at}-usd", usd)
        hand.choose(f"{at}-per", "short ton")
        hand.type(f"{at}-as-of", "2026-11-01")
    hand.work("#season-prices button.main", "Saved")
    assert "$" in page.inner_text("#bar")


def _hand_over(hand, folder: Path) -> Path:
    """One format more; what is known of loading; write, audit, fetch."""
    page = hand.page
    hand.step(7)
    page.evaluate("document.getElementById('live').textContent = ''")
    hand.tick("#format-geopackage")
    hand.said("GeoPackage")
    assert page.inner_text("#hand-loads")
    hand.press("#write")
    page.wait_for_selector("#open-page", timeout=300_000)
    hand.settled()
    hand.press("#audit")
    page.wait_for_selector("#verdict", timeout=120_000)
    hand.settled()
    assert "agrees" in page.inner_text("#verdict")
    with page.expect_download() as coming:
        hand.press("#fetch-all")
    zipped, kept = folder.parent / "fetched.zip", folder.parent / "fetched"
    coming.value.save_as(zipped)
    with zipfile.ZipFile(zipped) as told:
        assert told.testzip() is None
        told.extractall(kept)
    return next(kept.rglob("manifest.json")).parent


# ---- judged from outside


def _judge_from_outside(run: Path, edits: list[dict], outline: str) -> None:
    """Files read by pyshp and json, measured on the ellipsoid, added up, held against the order."""
    layers = {"shapefile": _of_shapefile(run), "geojson": _of_geojson(run)}
    order = {row["material"]: float(row["quantity"]) for row in csv.DictReader(
        io.StringIO((run / "order.csv").read_text(encoding="utf-8")))}
    whole = _acres(json.loads(outline)["features"][0]["geometry"])
    for name, rows in layers.items():
        measured = [_acres(geometry) for _, geometry in rows]
        # borders of the file have 9 decimals of a degree: 3e-7 of a zone of 10 acres
        for (row, _), acres in zip(rows, measured, strict=True):
            assert row["AREA_AC"] == pytest.approx(acres, rel=1e-6), (name, row)
        assert sum(measured) == pytest.approx(whole, rel=1e-7), name
        for material, column in ((POTASH, "P1_KCL_LB"), (GYPSUM, "P2_GYPS_LB")):
            told = sum(row[column] * acres for (row, _), acres in zip(rows, measured, strict=True))
            assert told == pytest.approx(order[material], rel=1e-6), (name, material)
        assert {row["P2_GYPS_LB"] for row, _ in rows} == {120.0}
    assert [row for row, _ in layers["shapefile"]] == [row for row, _ in layers["geojson"]]
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    [by_hand] = record["edits"]["rates_by_hand"]
    assert (by_hand["rate"], by_hand["unit"], by_hand["reason"], by_hand["words"]) == (
        170.0, "lb/ac", REASON, OWN_WORDS)
    [own] = [row for row, _ in layers["geojson"] if row["ZONE_ID"] == by_hand["zone_id"]]
    assert own["P1_KCL_LB"] == 170.0
    assert [one["op"] for one in edits if one["op"] != "go"] == [
        "split", "merge", "move-corner", "rate"]
    assert by_hand["zone_id"] in record["edits"]["zones_by_hand"]
    assert "C4" in json.dumps(record["findings"])


def _of_shapefile(run: Path) -> list[tuple[dict, dict]]:
    import shapefile

    with shapefile.Reader(str(run / "shapefile" / "prescription.shp")) as told:
        return [(one.record.as_dict(), one.shape.__geo_interface__)
                for one in told.iterShapeRecords()]


def _of_geojson(run: Path) -> list[tuple[dict, dict]]:
    told = json.loads((run / "prescription.geojson").read_text(encoding="utf-8"))
    return [(one["properties"], one["geometry"]) for one in told["features"]]


def _acres(geometry: dict) -> float:
    """Acres of GeoJSON on the ellipsoid: `pyproj.Geod` on every ring, holes taken off."""
    import pyproj

    geod = pyproj.Geod(ellps="WGS84")
    parts = geometry["coordinates"]
    if geometry["type"] == "Polygon":
        parts = [parts]
    square_m = 0.0
    for rings in parts:
        own = [abs(geod.polygon_area_perimeter(*zip(*ring, strict=True))[0]) for ring in rings]
        square_m += own[0] - sum(own[1:])
    return square_m / 4046.8564224


def _the_command_line_agrees(folder: Path, run: Path) -> None:
    """`vrx audit` says the same, and `vrx run` on the folder comes to a run of the same name."""
    def vrx(*words: str) -> subprocess.CompletedProcess:
        return subprocess.run([sys.executable, "-m", "vrx", *words], check=False, timeout=600,
                              capture_output=True, text=True)

    audited = vrx("audit", str(folder))
    assert audited.returncode == 0, audited.stdout + audited.stderr
    again = vrx("run", str(folder))
    assert again.returncode == 0, again.stdout + again.stderr
    names = {one.name for one in (folder / "output").iterdir() if one.is_dir()}
    assert names == {run.name}
