"""Pictures of all that people look at, in colour and as a photocopier sees it, for looking at.

    PYTHONPATH=. python scripts/screens.py [FOLDER] [--quick]

Makes the invented Kettle field with coarse maps, writes its run, and shows `page.html`,
`sheet.html` and every step of the app in Debian's Chromium (wide, tablet, phone; light and dark)
and, where it is installed, both pages and the step of zones in Debian's Firefox (`firefox-esr
--headless --screenshot`; the app is reached by its link with the token). Each picture is kept
twice: NAME.png and NAME-grey.png. Nothing is judged here.
"""

from __future__ import annotations

import argparse
import runpy
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import rasterio

from vrx.app import pages
from vrx.pipeline import run_field

ROOT = Path(__file__).resolve().parents[1]
APP = runpy.run_path(str(ROOT / "tests" / "app" / "conftest.py"))
STEPS = ("files", "samples", "maps", "zones", "needs", "season", "hand-over")
SIZES = {"wide": (1280, 800), "tablet": (820, 1180), "phone": (390, 844)}


def field(folder: Path) -> Path:
    """The invented field, coarse, with a run. Gives the run's folder."""
    shutil.copytree(ROOT / "sample_geo" / "kettle", folder)
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("cell_m = 5.0", "cell_m = 15.0"),
                    encoding="utf-8")
    run_field(folder)
    return next(one for one in (folder / "output").iterdir() if one.is_dir())


def grey(picture: Path) -> None:
    """The same picture without its colours (luma of ITU-R BT.601, as image programs take it)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(picture) as told:
            red, green, blue = told.read([1, 2, 3]).astype(np.float64)
        luma = np.rint(0.299 * red + 0.587 * green + 0.114 * blue).astype(np.uint8)
        with rasterio.open(picture.with_name(f"{picture.stem}-grey.png"), "w", driver="PNG",
                           width=luma.shape[1], height=luma.shape[0], count=1,
                           dtype="uint8") as kept:
            kept.write(luma, 1)


def by_chromium(out: Path, run: Path, served: Any, *, quick: bool) -> Iterator[Path]:
    """Every step and both pages, at every size."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as told:
        browser = told.chromium.launch(executable_path=APP["chromium_path"](),
                                       args=["--no-sandbox"])
        for size, (width, height) in SIZES.items():
            for dark in (False, True):
                if quick and (dark or size != "wide"):
                    continue
                context = browser.new_context(
                    viewport={"width": width, "height": height},
                    color_scheme="dark" if dark else "light")
                page = context.new_page()
                page.goto(served.link)
                mode = f"{size}-{'dark' if dark else 'light'}"
                for step in STEPS:
                    page.goto(f"{served.address}/{step}")
                    APP["settled"](page)
                    yield _shot(page, out / f"app-{step}-{mode}.png")
                for name in ("page", "sheet"):
                    page.goto((run / f"{name}.html").as_uri())
                    yield _shot(page, out / f"{name}-{mode}.png")
                context.close()
        browser.close()


def _shot(page: Any, path: Path) -> Path:
    """The whole page in a window as tall as it is, so that the bar stands at its end."""
    size = page.viewport_size
    tall = page.evaluate("document.documentElement.scrollHeight")
    height = min(max(tall, size["height"]), 12_000)
    page.set_viewport_size({"width": size["width"], "height": height})
    page.screenshot(path=str(path), full_page=True)
    page.set_viewport_size(size)
    return path


def by_firefox(out: Path, run: Path, served: Any) -> Iterator[Path]:
    """Both pages and the step of zones, by Firefox' own command line, if it is there."""
    program = shutil.which("firefox-esr") or shutil.which("firefox")
    if program is None:
        print("no firefox-esr on the path: its pictures are left out", file=sys.stderr)
        return
    for name, address in (
        ("page", (run / "page.html").as_uri()), ("sheet", (run / "sheet.html").as_uri()),
        ("app", served.link),
    ):
        picture = out / f"{name}-firefox.png"
        with tempfile.TemporaryDirectory() as profile:
            subprocess.run(
                [program, "--headless", "--no-remote", "--profile", profile, "--window-size=1280",
                 "--screenshot", str(picture), address], check=False, timeout=180,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if picture.is_file():
            yield picture
        else:
            print(f"firefox made no picture of {name}", file=sys.stderr)


def main(arguments: list[str] | None = None) -> int:
    """Make the pictures and say where they are."""
    told = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    told.add_argument("folder", nargs="?", type=Path, default=Path("screens"))
    told.add_argument("--quick", action="store_true", help="one size, light, and Firefox")
    asked = told.parse_args(arguments)
    out = asked.folder.resolve()
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "kettle"
        run = field(folder)
        with APP["served"](folder) as served:
            made = []
            for picture in by_chromium(out, run, served, quick=asked.quick):
                grey(picture)
                made.append(picture)
            # the link leads to the first step that is to do: the zones, for the picture
            pages.mark_of = lambda _, step: "to do" if step.id == "zones" else "done"
            for picture in by_firefox(out, run, served):
                grey(picture)
                made.append(picture)
    print(f"{len(made)} pictures, and each in grey, in {out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
