"""The needs step in a browser: by keys alone, by the map, and what axe-core says of it."""

from __future__ import annotations

import tomllib
from pathlib import Path


def test_needs_by_keys_alone(small: Path, page, serve_folder, tools) -> None:
    app = serve_folder(small)
    page.goto(app.link)
    page.goto(f"{app.address}/needs")
    tools.settled(page)
    shape = page.locator("#needs-map [data-zone]").nth(1)
    words = shape.get_attribute("aria-label")
    shape.focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#why-close")
    assert words.split(":")[0] in page.locator("#needs-why h2").inner_text()
    assert tools.axe(page) == []
    page.locator("#why-close").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#why-close", state="detached")
    goal = page.locator('[name="yield_goal.tons_per_ac"]')
    goal.focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("5.5")
    page.keyboard.press("Enter")
    page.wait_for_function(
        "() => document.getElementById('plan-undo').textContent.includes('yield goal')")
    told = tomllib.loads((small / "plan.toml").read_text(encoding="utf-8"))
    assert told["yield_goal"]["tons_per_ac"] == 5.5


def test_a_wrong_number_stands_beside_its_control(
    small: Path, page, serve_folder, tools, watched
) -> None:
    watched.expected = ("422",)
    app = serve_folder(small)
    page.goto(app.link)
    page.goto(f"{app.address}/needs")
    tools.settled(page)
    goal = page.locator('[name="yield_goal.tons_per_ac"]')
    goal.fill("55")
    goal.press("Enter")
    page.wait_for_selector("#beside-trouble")
    assert goal.get_attribute("aria-invalid") == "true"
    assert goal.input_value() == "55"
    assert page.evaluate("document.activeElement.name") == "yield_goal.tons_per_ac"


def test_without_script_forms_do_the_same(small: Path, open_page, serve_folder, tools) -> None:
    app = serve_folder(small)
    page = open_page(script=False)
    page.goto(app.link)
    for _ in range(60):
        page.goto(f"{app.address}/needs")
        if page.locator("#needs-table button").count():
            break
        page.wait_for_timeout(500)
    page.locator("#needs-table button").first.click()
    page.wait_for_selector("#why-close")
    assert "Zone A" in page.locator("#needs-why h2").inner_text()
