"""Every step in every state that a user meets: everything opened, a tool in use, refused, halted.

axe-core judges (WCAG 2.1 A and AA and its best practices); the fixtures of `conftest.py` fail a
test in which the console told of an error or of the content security policy, or a request left the
loopback address. One server for the whole file; nothing here changes the plan for good.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest

WIDE = "document.documentElement.scrollWidth"
PLACES = ("/files", "/samples", "/maps", "/zones", "/needs", "/season", "/hand-over")


@pytest.fixture(scope="module")
def app(tmp_path_factory, tools) -> Iterator:
    """The invented field with coarse maps, served; a zone is split and has a rate by hand."""
    folder = tmp_path_factory.mktemp("states") / "field"
    shutil.copytree(tools.KETTLE, folder)
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace(
        "cell_m = 5.0", "cell_m = 20.0").replace(
        'method = "choose"', 'method = "inverse distance"'), encoding="utf-8")
    with tools.served(folder) as made:
        with made.session.held() as bench:
            zone = bench.zones().zones[0].zone_id
            bench.edit("set_rate", on=bench.state, zone_id=zone, pass_id="after-first", rate=200.0,
                       reason="trial strip", words="")
        yield made


def _open_all(page) -> None:
    """Unfold everything."""
    page.evaluate("() => { for (const one of document.querySelectorAll('main details'))"
                  " one.open = true; }")


def _beyond(page) -> str:
    """What is wider than the window, for the message of a failure."""
    return page.evaluate(
        "() => [...document.querySelectorAll('body *')].filter((one) =>"
        " one.getBoundingClientRect().right > innerWidth + 1 && !one.closest('svg, .scroll'))"
        ".slice(0, 5).map((one) => `${one.tagName}#${one.id}.${one.className}`).join(' ')")


@pytest.mark.parametrize(("width", "dark"), [
    (1280, False), (820, True), (390, False)], ids=["wide", "tablet-dark", "phone"])
def test_everything_unfolded(app, open_page, tools, width: int, dark: bool) -> None:
    page = open_page(width=width, height=900, dark=dark, touch=width < 1000)
    page.goto(app.link)
    for path in PLACES:
        page.goto(app.address + path)
        tools.settled(page)
        if path == "/zones":
            page.click("#zone-rows tr:first-child .open")
            page.wait_for_selector("#card-rate")
        if path == "/needs":
            page.locator("[id^=why-K2O-]").first.click()
            page.wait_for_selector("#needs-why h2")
            tools.settled(page)
        _open_all(page)
        assert tools.axe(page) == [], path
        assert page.evaluate(WIDE) <= width, (path, _beyond(page))


def test_tools_dialogs_and_refusals(app, open_page, tools) -> None:
    page = open_page(dark=True)
    page.goto(app.link)
    page.goto(f"{app.address}/zones")
    tools.settled(page)
    page.click("[data-tool=merge]")
    page.wait_for_selector("#tool-trouble:not([hidden])")
    assert tools.axe(page) == []
    page.check("#zone-rows tr:first-child input", force=True)
    for tool in ("split", "corner"):
        page.click(f"[data-tool={tool}]")
        page.keyboard.press("ArrowRight")
        assert tools.axe(page) == [], tool
        page.click("[data-tool-do=leave]")
    page.goto(f"{app.address}/needs")
    tools.settled(page)
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()
    assert tools.axe(page) == []
    page.keyboard.press("Escape")
    page.goto(f"{app.address}/season")
    tools.settled(page)
    page.fill("#key-limits-s-lb-per-ac", "plenty")
    page.click("#season-limits button.main")
    page.wait_for_selector(".beside-trouble, #trouble:not([hidden])")
    assert page.input_value("#key-limits-s-lb-per-ac") == "plenty"
    assert tools.axe(page) == []
    page.evaluate("delete document.getElementById('key-limits-s-lb-per-ac').dataset.changed")


SEEN_TABS = 260


def test_every_stop_of_tab_can_be_seen(app, open_page, tools, hands) -> None:
    """Nothing takes the focus unseen: no ring, outside the window, or beneath the bar."""
    page = open_page(width=1280, height=800)
    page.emulate_media(reduced_motion="reduce")
    page.goto(app.link)
    wrong = []
    for path in PLACES:
        page.goto(app.address + path)
        tools.settled(page)
        count = 0
        while count < SEEN_TABS:
            page.keyboard.press("Tab")
            count += 1
            told = page.evaluate(hands.SEEN)
            if told["what"].startswith("BODY") or (count > 1 and "To the content" in told["what"]):
                break
            if not (told["ring"] and told["inside"] and told["free"]):
                wrong.append((path, told))
        assert count > 10, path
        assert count < SEEN_TABS, path
    assert wrong == []


@pytest.mark.parametrize("kind", ["reduced", "forced"])
def test_less_motion_and_the_users_own_colours(app, browser, watched, tools, kind: str) -> None:
    """Nothing moves where less motion is asked for; forced colours leave every control its edge."""
    wishes = {"reduced": {"reduced_motion": "reduce"}, "forced": {"forced_colors": "active"}}[kind]
    context = browser.new_context(viewport={"width": 1280, "height": 800}, **wishes)
    try:
        page = context.new_page()
        page.on("pageerror", lambda one: watched.said.append(f"script: {one}"))
        page.goto(app.link)
        for path in PLACES:
            page.goto(app.address + path)
            tools.settled(page)
            if kind == "reduced":
                moving = page.evaluate(
                    "() => document.getAnimations().filter((one) => {"
                    " const told = one.effect.getComputedTiming();"
                    " return told.duration > 20; }).length")
                assert moving == 0, path
                lasting = page.evaluate(
                    "() => [...document.querySelectorAll('body *')].filter((one) =>"
                    " parseFloat(getComputedStyle(one).transitionDuration) > 0.02).length")
                assert lasting == 0, path
            else:
                assert page.evaluate("matchMedia('(forced-colors: active)').matches")
                bare = page.evaluate(
                    "() => [...document.querySelectorAll('main button, main input, main select')]"
                    ".filter((one) => one.offsetParent && !['checkbox', 'radio', 'file']"
                    ".includes(one.type) && !one.matches('.quiet, .open')"
                    " && parseFloat(getComputedStyle(one).borderTopWidth) < 1)"
                    ".map((one) => one.id || one.textContent)")
                assert bare == [], path
                # maps keep their own colours: a class that is recoloured tells nothing
                plain = page.evaluate(
                    "() => [...document.querySelectorAll('main .drawing svg, .legend svg')]"
                    ".filter((one) => getComputedStyle(one).forcedColorAdjust !== 'none').length")
                assert plain == 0, path
    finally:
        context.close()


def test_without_script_each_step_keeps_its_forms(app, open_page, tools) -> None:
    page = open_page(script=False)
    page.goto(app.link)
    plan = app.folder / "plan.toml"
    before = plan.read_text(encoding="utf-8")
    try:
        _fill_without_script(page, app)
        after = plan.read_text(encoding="utf-8")
        assert "s_lb_per_ac = 49" in after
        assert 'leave_out = ["K02"]' in after
        assert "geopackage" in after
    finally:
        plan.write_text(before, encoding="utf-8")
        with app.session.held() as bench:
            bench.look()


def _fill_without_script(page, app) -> None:
    def reload(path: str, words: str) -> None:
        for _ in range(120):
            page.goto(app.address + path)
            if words in page.content():
                return
            page.wait_for_timeout(250)
        raise AssertionError(f"{path} never shows {words}")

    reload("/season", 'id="season-limits"')
    page.fill("#key-limits-s-lb-per-ac", "49")
    page.click("#season-limits button.main")
    assert page.url.startswith(f"{app.address}/season")
    reload("/maps", 'id="show-sulfate"')
    page.click("#show-sulfate")
    assert page.get_attribute("#show-sulfate", "aria-pressed") == "true"
    reload("/needs", 'id="why-K2O-')
    page.locator("[id^=why-K2O-]").first.click()
    assert page.locator("#needs-why h2").count() == 1
    reload("/zones", 'id="by-split"')
    page.locator("#zone-rows tr:first-child .open").click()
    assert page.locator("#zone-card h3").first.inner_text().startswith("Zone ")
    reload("/hand-over", 'id="format-geopackage"')
    page.check("#format-geopackage")
    page.click("button:has-text('Keep this choice')")
    assert page.url.startswith(f"{app.address}/hand-over")
    # a sample less: other zones, for which the rate by hand was not set; the page says ways out
    reload("/samples", 'id="out-K02"')
    page.locator("#samples-all > summary").click()
    page.click("#out-K02")
    reload("/maps", "the zone has another outline now")
    page.locator("#trouble .ways button").first.click()
    assert page.url.startswith(f"{app.address}/zones")
    assert "is the rule's" in page.inner_text(".done-line")
    reload("/maps", 'id="show-sulfate"')
