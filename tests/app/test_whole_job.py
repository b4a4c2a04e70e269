"""From an empty folder to an audited, downloaded prescription, in a real browser.

axe-core (rules of WCAG 2.1 A and AA, and its best practices) judges every screen, light and dark.
The fixtures fail a test whose pages asked for anything beyond the loopback address, or whose
console told of the content security policy or of a script's error.
"""

from __future__ import annotations

import json
import time
import zipfile
from pathlib import Path

import pytest


def test_from_an_empty_folder_to_an_audited_run_by_mouse(
    empty: Path, page, serve_folder, tools
) -> None:
    app = serve_folder(empty)
    page.goto(app.link)
    assert page.url == f"{app.address}/files"
    assert tools.axe(page) == []
    page.click("text=Open the invented field")
    page.wait_for_selector("text=The plan is complete")
    assert (empty / "plan.toml").is_file()
    assert tools.axe(page) == []
    # coarser maps, as by hand in another program while the page is open
    plan = empty / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("cell_m = 5.0", "cell_m = 20.0"),
                    encoding="utf-8")
    page.click("#steps >> text=Hand over")
    tools.settled(page)
    assert tools.axe(page) == []
    page.check("#format-geopackage")
    _said(page, "GeoPackage")
    tools.settled(page)
    assert "geopackage" in plan.read_text(encoding="utf-8")
    page.click("#write")
    page.wait_for_selector("#open-page", timeout=120_000)
    tools.settled(page)
    page.click("#audit")
    page.wait_for_selector("#verdict", timeout=60_000)
    assert "agrees" in page.inner_text("#verdict")
    assert tools.axe(page) == []
    with page.expect_download() as coming:
        page.click("#fetch-all")
    kept = empty.parent / "fetched.zip"
    coming.value.save_as(kept)
    with zipfile.ZipFile(kept) as told:
        assert told.testzip() is None
        name = next(one for one in told.namelist() if one.endswith("manifest.json"))
        listed = {one["path"] for one in json.loads(told.read(name))["files"]}
        assert any(one.endswith(".gpkg") for one in listed)
    with page.context.expect_page() as coming_page:
        page.click("#open-page")
    other = coming_page.value
    other.wait_for_load_state()
    assert "Kettle pivot" in other.inner_text("h1")


def test_the_same_by_keyboard_alone(empty: Path, page, serve_folder, tools) -> None:
    app = serve_folder(empty)
    page.goto(app.link)
    _tab_to(page, "Open the invented field")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=The plan is complete")
    plan = empty / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("cell_m = 5.0", "cell_m = 20.0"),
                    encoding="utf-8")
    steps = page.locator("#steps a").count()
    page.keyboard.press(str(steps))
    page.wait_for_url("**/hand-over")
    tools.settled(page)
    _tab_to(page, "Write the files")
    page.keyboard.press("Enter")
    page.wait_for_selector("#open-page", timeout=120_000)
    tools.settled(page)
    _tab_to(page, "Audit the run")
    page.keyboard.press("Enter")
    page.wait_for_selector("#verdict", timeout=60_000)
    _tab_to(page, "Fetch all as one zip")
    with page.expect_download():
        page.keyboard.press("Enter")
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()
    page.keyboard.press("Escape")
    assert not page.locator("#keys").is_visible()


def _said(page, words: str) -> None:
    """Wait until the live region says so."""
    page.wait_for_function(
        "(words) => document.getElementById('live').textContent.includes(words)", arg=words)


def _tab_to(page, words: str) -> None:
    """Tab until the control of these words has the focus, and shows it."""
    for _ in range(150):
        page.keyboard.press("Tab")
        told = page.evaluate(
            "() => { const one = document.activeElement; const style = getComputedStyle(one);"
            " return [one.textContent.trim(), style.outlineStyle, style.outlineWidth]; }")
        if told[0] == words:
            assert told[1] != "none"
            assert told[2] != "0px"
            return
    raise AssertionError(f"the keyboard does not reach {words!r}")


def test_own_files_are_brought_and_asked_for(empty: Path, page, serve_folder, tools) -> None:
    app = serve_folder(empty)
    page.goto(app.link)
    page.set_input_files("#bring-files", [
        tools.KETTLE / "boundary.geojson", tools.KETTLE / "soil.csv"])
    page.click("text=Bring them")
    page.wait_for_selector("text=Make the plan")
    tools.settled(page)
    assert tools.axe(page) == []
    assert "seems to be: the field's boundary" in page.inner_text("#files-list")
    assert "seems to be: soil tests" in page.inner_text("#files-list")
    page.fill("#name", "Own field")
    page.click("button:has-text('Make the plan')")
    page.wait_for_selector("text=Season and stand")
    tools.settled(page)
    assert tools.axe(page) == []
    # a wrong answer stays beside its control, and in it
    page.fill("[id='key-field-season']", "next year")
    page.click("text=Write into the plan")
    page.wait_for_selector(".beside-trouble")
    assert page.input_value("[id='key-field-season']") == "next year"
    assert 'season = "?"' in (empty / "plan.toml").read_text(encoding="utf-8")
    page.fill("[id='key-field-season']", "2027")
    page.fill("[id='key-field-stand-year']", "3")
    page.click("text=Write into the plan")
    page.wait_for_selector("h2:has-text(\"The laboratory's report\")")
    text = (empty / "plan.toml").read_text(encoding="utf-8")
    assert "season = 2027" in text
    assert "# Year of the harvest that this plan is for." in text
    # what the file itself says is offered, what it only suggests is not chosen
    page.click("[id='ask-soil_2epotassium']")
    page.wait_for_selector("h2:has-text('Soil test: potassium')")
    tools.settled(page)
    assert page.input_value("[id='key-soil-potassium-extractant']") == "mehlich-3"
    assert page.input_value("[id='key-soil-potassium-form']") == ""
    assert "suggests K" in page.inner_text("#question")
    assert "65" in page.inner_text("#question .column")
    assert tools.axe(page) == []


def test_two_windows_keep_each_others_changes(kettle: Path, open_page, serve_folder, tools) -> None:
    (kettle / "plan.toml").unlink()
    app = serve_folder(kettle)
    one = open_page()
    one.goto(app.link)
    tools.settled(one)
    one.click("button:has-text('Make the plan')")
    one.wait_for_selector("text=Season and stand")
    other = open_page(context=one.context)
    other.goto(f"{app.address}/files")
    tools.settled(other)
    other.fill("[id='key-field-stand-year']", "4")
    one.fill("[id='key-field-season']", "2027")
    one.click("text=Write into the plan")
    _said(one, "written")
    other.click("text=Write into the plan")
    other.wait_for_selector("text=Changed meanwhile")
    assert other.input_value("[id='key-field-stand-year']") == "4"
    text = (kettle / "plan.toml").read_text(encoding="utf-8")
    assert "season = 2027" in text
    assert 'stand_year = "?"' in text
    other.click("text=Write into the plan")
    _said(other, "written")
    assert "stand_year = 4" in (kettle / "plan.toml").read_text(encoding="utf-8")


def test_long_work_shows_progress_and_cancels(
    kettle: Path, page, serve_folder, tools, monkeypatch
) -> None:
    from vrx.pipeline.workbench import Workbench

    def slow(self, progress=print):
        for number in range(2000):
            progress(f"working out piece {number}")
            time.sleep(0.02)

    monkeypatch.setattr(Workbench, "zones", slow)
    app = serve_folder(kettle)
    page.goto(app.link)
    page.goto(f"{app.address}/hand-over")
    page.wait_for_selector("[data-cancel]", timeout=10_000)
    assert tools.axe(page) == []
    assert page.inner_text("#work-words")
    page.click("[data-cancel]")
    page.wait_for_selector("text=This was called off", timeout=3_000)
    page.wait_for_timeout(1000)
    assert page.locator("#work [data-work]").count() == 0
    assert tools.axe(page) == []
    assert not (kettle / "output").exists()
    page.goto(f"{app.address}/files")
    tools.settled(page)
    assert "Kettle pivot" in page.inner_text(".field")


@pytest.mark.parametrize("size", [(1280, 800), (820, 1180), (390, 800)], ids=str)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_every_screen_fits_and_is_accessible(  # noqa: PLR0917 - fixtures
    small: Path, open_page, serve_folder, tools, size: tuple[int, int], dark: bool
) -> None:
    from vrx.app.steps import STEPS

    width, height = size
    app = serve_folder(small)
    page = open_page(width=width, height=height, dark=dark, touch=width < 1000)
    page.goto(app.link)
    for step in STEPS:
        page.goto(f"{app.address}{step.path}")
        tools.settled(page)
        assert tools.axe(page) == [], step.path
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step.path
        small_text = page.evaluate(
            "() => [...document.querySelectorAll('body *')].filter((one) => !one.children.length"
            " && one.textContent.trim() && !one.closest('svg')"
            " && parseFloat(getComputedStyle(one).fontSize) < 14).map((one) => one.textContent)")
        assert small_text == [], step.path
        low = page.evaluate(
            "() => [...document.querySelectorAll('main button, .head button, #steps a,"
            " main select, main a.button')].map((one) => [one, one.getBoundingClientRect()])"
            ".filter(([one, box]) => box.width && box.height < 40)"
            ".map(([one, box]) => `${one.textContent.trim()} ${box.height}`)")
        assert low == [], step.path


def test_without_script_the_job_goes_on(empty: Path, open_page, serve_folder, tools) -> None:
    app = serve_folder(empty)
    page = open_page(script=False)
    page.goto(app.link)
    page.click("text=Open the invented field")
    assert "/files" in page.url
    for _ in range(40):
        if "The plan is complete" in page.content():
            break
        page.wait_for_timeout(500)
        page.goto(f"{app.address}/files")
    assert "The plan is complete" in page.content()
    page.set_input_files("#bring-files", [tools.KETTLE / "soil.csv"])
    page.click("text=Bring them")
    assert "byte for byte" in page.content()
