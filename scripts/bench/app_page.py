"""The step of zones in a browser: page weight, first paint, and keypress to changed totals.

    PYTHONPATH=. python scripts/bench/app_page.py [--runs 10] [--zones 9 40 400]

The invented Kettle field with its own zones (9) and with square cells (40, 400), served on the
loopback address and shown by Debian's Chromium, headless. A split is undone and redone by keys;
timed in the page, from the event of the key to the moment when the new totals stand in the
document (MutationObserver), and to the second frame after it. Kilobytes are those of the page
itself and of one patch as they are sent, without compression. Needs the extra `test`.
"""

from __future__ import annotations

import argparse
import json
import os
import runpy
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from vrx.pipeline.workbench import Workbench

ROOT = Path(__file__).resolve().parents[2]
FIELDS = runpy.run_path(str(ROOT / "scripts" / "bench" / "app_edit.py"))
APP = runpy.run_path(str(ROOT / "tests" / "app" / "conftest.py"))
WATCH = """() => {
    window.taken = [];
    let pressed = 0;
    addEventListener('keydown', (event) => {
        if (event.key !== 'Control') pressed = event.timeStamp;
    }, true);
    new MutationObserver((all) => {
        if (!pressed || !all.some((one) => [...one.addedNodes].some(
            (node) => node.id === 'zone-sum'))) return;
        const begun = pressed, standing = performance.now() - begun;
        pressed = 0;
        requestAnimationFrame(() => requestAnimationFrame(
            () => window.taken.push([standing, performance.now() - begun])));
    }).observe(document.body, { childList: true, subtree: true });
}"""


def page_of(browser: Any, served: Any) -> Any:
    """The step, ready."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(served.link)
    for _ in range(2):
        page.goto(served.address + "/zones")
        APP["settled"](page)
    page.wait_for_selector("#zone-map [data-zone]")
    return page


def weights(page: Any) -> tuple[float, float, float]:
    """Kilobytes of the page, of scripts and style sheets, and milliseconds to the first paint."""
    told = page.evaluate("""() => ({
        page: performance.getEntriesByType('navigation')[0].decodedBodySize,
        more: performance.getEntriesByType('resource').reduce((a, b) => a + b.decodedBodySize, 0),
        paint: performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN })""")
    return told["page"] / 1000, told["more"] / 1000, told["paint"]


def pressed(page: Any, key: str, number: int) -> None:
    page.keyboard.press(key)
    page.wait_for_function("n => window.taken.length === n", arg=number)
    page.wait_for_function("() => !document.querySelector('#zone-findings[data-waiting]')")


def split(served: Any) -> None:
    """One zone split through the workbench, so that there is something to undo."""
    with served.session.held() as bench:
        bench.look()
        zone = max(bench.zones().zones, key=lambda one: one.polygon.area)
        middle = np.array(zone.polygon.representative_point().coords[0])
        bench.edit("split", on=bench.state, zone_id=zone.zone_id, line=[
            tuple(np.subtract(middle, [2000, 1])), tuple(np.add(middle, [2000, 1]))])


def measure(browser: Any, folder: Path, runs: int) -> None:
    with APP["served"](folder) as served:
        split(served)
        page = page_of(browser, served)
        sent: list[int] = []
        page.on("response", lambda one: sent.append(len(one.body()))
                if one.request.method == "POST" else None)
        weight, more, paint = weights(page)
        zones = page.locator("#zone-map [data-zone]").count()
        print(f"{zones} zones: page {weight:,.0f} kB, scripts and styles {more:,.0f} kB, first "
              f"paint {paint:,.0f} ms")
        page.evaluate(WATCH)
        for number in range(runs):
            pressed(page, "Control+z" if number % 2 == 0 else "Control+y", number + 1)
        taken = np.array(json.loads(page.evaluate("JSON.stringify(window.taken)")))
        for name, column in (("totals stand", 0), ("painted", 1)):
            times = taken[:, column]
            print(f"  key to {name:13s} median {np.median(times):6.1f} ms, greatest "
                  f"{times.max():6.1f}, least {times.min():6.1f}")
        print(f"  a patch {np.median(sent) / 1000:,.1f} kB")
        page.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--zones", type=int, nargs="*", default=[9, 40, 400])
    asked = parser.parse_args()
    from playwright.sync_api import sync_playwright

    print(f"load {os.getloadavg()[0]:.1f}")
    with sync_playwright() as told, tempfile.TemporaryDirectory() as scratch:
        browser = told.chromium.launch(
            executable_path=APP["chromium_path"](), args=["--no-sandbox"])
        for count in asked.zones:
            bench: Workbench = FIELDS["bench_of"](Path(scratch), count)
            measure(browser, bench.folder, asked.runs)
        browser.close()


if __name__ == "__main__":
    main()
