"""Every paper of a run in a real browser: no violation by axe-core, no request, no overflow.

The browser is Debian's Chromium or the one that VRX_CHROMIUM names; where VRX_NEEDS_BROWSER is set
a missing one is an error. The judge of what everybody can use is axe-core (Deque, rules of WCAG).
"""

import os
import shutil
from pathlib import Path

import pytest

from vrx.pipeline import reconcile, run_field
from vrx.pipeline.audit import judge, write_page
from vrx.pipeline.sampling import plan_sampling

KETTLE = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle"
HOSTILE = ('<script>alert(1)</script> & "Køttle" 漢字 '
           "A-very-long-name-without-any-space-that-goes-on-and-on-for-more-than-a-hundred-letters")
PARTS = ("grower", "applicator", "agronomist")


@pytest.fixture(scope="module")
def browser():
    path = os.environ.get("VRX_CHROMIUM") or next(
        (found for name in ("chromium", "chromium-browser", "google-chrome")
         if (found := shutil.which(name))), None)
    if path is None:
        if os.environ.get("VRX_NEEDS_BROWSER"):
            pytest.fail("no chromium on the path: pages cannot be judged in a browser")
        pytest.skip("no chromium on the path; apt-get install chromium, or set VRX_CHROMIUM")
    api = pytest.importorskip("playwright.sync_api")
    with api.sync_playwright() as told:
        made = told.chromium.launch(executable_path=path, args=[
            "--no-sandbox", "--disable-background-networking", "--no-first-run"])
        yield made
        made.close()


@pytest.fixture(scope="module")
def papers(tmp_path_factory):
    """All papers of an invented field with a hostile name, by name."""
    folder = tmp_path_factory.mktemp("papers") / "field"
    shutil.copytree(KETTLE, folder)
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").replace("cell_m = 5.0", "cell_m = 20.0").replace(
        'method = "choose"', 'method = "inverse distance"').replace(
        'name = "Kettle pivot"', f"name = '{HOSTILE}'")
    assert HOSTILE in text
    plan.write_text(text, encoding="utf-8")
    run = run_field(folder).folder
    audit = folder / "audit.html"
    write_page(judge([folder]), audit)
    applied = reconcile(folder, [run / "prescription.geojson"], overrides={
        "pass": "after-first", "tolerance_pct": 5.0, "rate_column": "P1_KCL_LB",
        "rate_unit": "lb/ac"}).folder
    crew = plan_sampling(folder).folder
    return {"page": run / "page.html", "sheet": run / "sheet.html",
            "record": run / "application_record.html", "audit": audit,
            "applied": applied / "page.html", "crew": crew / "crew.html"}


def opened(browser, path, width, fragment=""):
    """A page of a file at a width, without script, and the addresses that it asked for."""
    asked = []
    made = browser.new_context(viewport={"width": width, "height": 900}).new_page()
    made.on("request", lambda one: asked.append(one.url))
    made.goto(path.as_uri() + fragment)
    return made, asked


@pytest.mark.parametrize("width", [390, 820, 1280])
@pytest.mark.parametrize(
    "name", ["page", "sheet", "record", "audit", "applied", "crew"])
def test_a_paper_has_no_violation_asks_for_nothing_and_fits(browser, papers, name, width):
    from axe_playwright_python.sync_playwright import Axe

    page, asked = opened(browser, papers[name], width)
    assert [url for url in asked if not url.startswith(("data:", papers[name].as_uri()))] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    assert [(one["id"], [node["target"] for node in one["nodes"][:4]]) for one in found] == []
    page.context.close()


def shown(page):
    """Parts that stand on the screen or the paper."""
    return [part for part in PARTS if page.locator(f"#{part}").is_visible()]


@pytest.mark.parametrize("medium", ["screen", "print"])
def test_a_link_to_a_part_or_into_it_leaves_that_part_alone(browser, papers, medium):
    for fragment, parts in {"": PARTS, "#whole": PARTS, "#no-such-place": PARTS,
                            "#grower": ("grower",), "#applicator": ("applicator",),
                            "#pass-2": ("applicator",), "#agronomist": ("agronomist",),
                            "#need-1": ("agronomist",)}.items():
        page, _ = opened(browser, papers["page"], 820, fragment)
        page.emulate_media(media=medium)
        assert shown(page) == list(parts), fragment
        # what stops or changes pounds, and the field's name, go with every part
        assert page.locator("h1").is_visible()
        page.context.close()


def test_the_links_of_the_page_switch_parts_and_bring_all_back(browser, papers):
    page, asked = opened(browser, papers["page"], 390)
    for part in PARTS:
        page.locator(f'.readers a[href="#{part}"]').click()
        assert shown(page) == [part]
    page.locator('.readers a[href="#whole"]').click()
    assert shown(page) == list(PARTS)
    assert len(asked) == 1
    page.context.close()


def test_one_part_on_paper_is_that_part_alone(browser, papers):
    page, _ = opened(browser, papers["page"], 820)
    whole = len(page.pdf(format="Letter"))
    page.goto(papers["page"].as_uri() + "#grower")
    alone = page.pdf(format="Letter")
    assert len(alone) < whole / 3
    page.context.close()
