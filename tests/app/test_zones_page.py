"""The step of zones in a real browser: mouse, keys alone, touch, two windows, what it says.

What is on the disk judges: `edits.jsonl` beside the plan, and the zones that follow from it, which
`shapely.coverage_is_valid` and the field's own area check.
"""

import json
import re
import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely

HELP = runpy.run_path(str(Path(__file__).with_name("conftest.py")))
settled, axe = HELP["settled"], HELP["axe"]


class Sheet:
    """The step in a page, with the zones that the served session holds."""

    def __init__(self, page, served):
        self.page, self.served = page, served
        page.goto(served.link)
        page.goto(served.address + "/zones")
        settled(page)
        page.wait_for_selector("#zone-map [data-zone]")

    @property
    def zones(self):
        with self.served.session.held() as bench:
            bench.look()
            return bench.zones()

    @property
    def field(self):
        with self.served.session.held() as bench:
            return bench.live().field

    def zone(self, letter):
        return next(one for one in self.zones.zones if one.letter == letter)

    @property
    def log(self):
        path = self.served.folder / "edits.jsonl"
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        return [json.loads(line) for line in text.splitlines()]

    def judge(self):
        """The zones are a true coverage of the field, and the page says their acres."""
        made = self.zones
        polygons = np.array([one.polygon for one in made.zones], dtype=object)
        assert shapely.coverage_is_valid(polygons)
        whole = self.field.boundary.area
        assert abs(shapely.area(polygons).sum() - whole) <= 1e-9 * whole
        said = self.page.locator("#zone-sum").inner_text()
        told = re.findall(r"([\d,.]+) ac", said)
        assert told[0] == told[1] == f"{made.area_ac:,.2f}"
        assert self.page.locator("#zone-map [data-zone]").count() == len(made.zones)
        assert self.page.locator("#zone-rows tr").count() == len(made.zones)

    def screen(self, place_m):
        """Where a place of the field is on the screen; scrolled into view."""
        self.page.evaluate(
            "document.getElementById('zone-map').scrollIntoView({block: 'center'})")
        return self.page.evaluate("""([east, north]) => {
            const map = document.getElementById('zone-map'), d = map.dataset;
            const m = document.getElementById('zone-shapes').getScreenCTM();
            const across = (east - Number(d.west)) * Number(d.unitsPerM);
            const down = (Number(d.north) - north) * Number(d.unitsPerM);
            return [m.a * across + m.e, m.d * down + m.f];
        }""", [float(place_m[0]), float(place_m[1])])

    def inside(self, letter):
        return shapely.get_coordinates(
            shapely.maximum_inscribed_circle(self.zone(letter).polygon))[0]

    def pick(self, *letters):
        for letter in letters:
            self.page.mouse.click(*self.screen(self.inside(letter)))
        self.page.wait_for_function(
            "n => document.querySelectorAll('[aria-selected=true]').length === n",
            arg=len(letters))

    def across(self, letter):
        """Two places west and east of a zone's widest place, beyond its bounds."""
        west, _, east, _ = self.zone(letter).polygon.bounds
        north = self.inside(letter)[1]
        return (west - 4, north), (east + 4, north)

    def after(self, count):
        """Wait until the log holds so many records and the page has settled."""
        self.page.wait_for_function("() => !document.querySelector('form[aria-busy=\"true\"]')")
        for _ in range(200):
            if len(self.log) >= count:
                break
            self.page.wait_for_timeout(25)
        assert len(self.log) == count, self.page.locator("#tool-trouble").inner_text()
        self.page.wait_for_function(
            "n => document.querySelectorAll('#zone-map [data-zone]').length === n",
            arg=len(self.zones.zones))

    def corner(self, one, two):
        """A corner in the middle of the border of two zones."""
        a, b = self.zone(one).polygon, self.zone(two).polygon
        shared = shapely.intersection(a.boundary, b.boundary)
        lines = shapely.line_merge(shared)
        longest = max(shapely.get_parts(lines), key=lambda part: part.length)
        corners = shapely.get_coordinates(longest)
        assert len(corners) > 2
        return corners[len(corners) // 2]

    def neighbours(self):
        """Letters of two zones whose border has corners of its own."""
        zones = self.zones.zones
        best, found = 0.0, None
        for i, one in enumerate(zones):
            for other in zones[i + 1:]:
                shared = shapely.line_merge(
                    shapely.intersection(one.polygon.boundary, other.polygon.boundary))
                for part in shapely.get_parts(shared):
                    if part.geom_type == "LineString" and part.length > best and len(
                            part.coords) > 4:
                        best, found = part.length, (one.letter, other.letter)
        return found


@pytest.fixture
def sheet(small, serve_folder, page):
    return Sheet(page, serve_folder(small))


def tool(page, name):
    page.click(f"[data-tool={name}]")


# ---- places

def test_a_click_lands_on_the_place_it_points_at(sheet):
    # The place that the page makes of a pointer, against the frame's own numbers and the rule by
    # which SVG fits a view into a box (SVG 1.1, section 7.8: xMidYMid meet).
    page = sheet.page
    for factor in (1, 6):
        for _ in range(factor - 1):
            page.click("[data-map-do=in]")
        got = page.evaluate("""async () => {
            const { Sheet } = await import('/static/sheet.js');
            const map = document.getElementById('zone-map');
            const sheet = new Sheet(map);
            const box = map.getBoundingClientRect(), view = map.viewBox.baseVal;
            const out = [];
            for (let k = 0; k < 20; k += 1) {
                const x = box.x + box.width * (k + 0.5) / 20, y = box.y + box.height * 0.37;
                const fit = Math.min(box.width / view.width, box.height / view.height);
                const across = view.x + view.width / 2 + (x - box.x - box.width / 2) / fit;
                const down = view.y + view.height / 2 + (y - box.y - box.height / 2) / fit;
                const [east, north] = sheet.metres(sheet.at({ clientX: x, clientY: y }));
                out.push([east - (sheet.west + across / sheet.per),
                    north - (sheet.north - down / sheet.per)]);
            }
            return out;
        }""")
        # The box of an element is told in fractions of 1/64 pixel.
        assert np.abs(got).max() < 0.05, np.abs(got).max()


# ---- by mouse

def test_a_zone_is_split_by_a_drag_and_again_by_clicks(sheet):
    page = sheet.page
    before = len(sheet.zones.zones)
    sheet.pick("C")
    tool(page, "split")
    start, end = (sheet.screen(place) for place in sheet.across("C"))
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move((start[0] + end[0]) / 2, start[1] + 5)
    page.mouse.move(*end)
    page.mouse.up()
    sheet.after(1)
    assert len(sheet.zones.zones) >= before + 1
    sheet.judge()
    assert "split into C and" in page.locator("#zone-undo").inner_text()
    sheet.pick("D")
    tool(page, "split")
    start, end = (sheet.screen(place) for place in sheet.across("D"))
    middle = sheet.screen(np.add(sheet.inside("D"), [3, 25]))
    for place in (start, middle):
        page.mouse.click(*place)
    assert "2 points" in page.locator("#tool-hint").inner_text()
    page.mouse.dblclick(*end)
    sheet.after(2)
    assert len(sheet.log[1]["line"]) in (3, 4)
    sheet.judge()


def test_zones_are_merged_and_their_border_is_redrawn(sheet):
    page = sheet.page
    one, two = sheet.neighbours()
    a, b = sheet.zone(one).polygon, sheet.zone(two).polygon
    area = a.area + b.area
    sheet.pick(one, two)
    tool(page, "redraw")
    shared = shapely.line_merge(shapely.intersection(a.boundary, b.boundary))
    arc = max(shapely.get_parts(shared), key=lambda part: part.length)
    from_, to = (np.array(arc.interpolate(t, normalized=True).coords[0]) for t in (0.25, 0.75))
    along = (to - from_) / np.hypot(*(to - from_))
    middle = (from_ + to) / 2 + 30 * np.array([-along[1], along[0]])
    for place in (from_, middle, to):
        page.mouse.click(*sheet.screen(place))
    page.click("#tool-end")
    sheet.after(1)
    sheet.judge()
    assert sheet.zone(one).polygon.area + sheet.zone(two).polygon.area == pytest.approx(area)
    sheet.page.click("[data-tool=merge]")
    sheet.after(2)
    sheet.judge()
    assert sheet.log[1]["op"] == "merge"


def test_a_shared_corner_is_dragged_and_escape_gives_it_back(sheet):
    page = sheet.page
    one, two = sheet.neighbours()
    corner = sheet.corner(one, two)
    sheet.pick(one)
    tool(page, "corner")
    start = sheet.screen(corner)
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(start[0] + 13, start[1] + 9)
    assert page.locator("#zone-marks .draft").count() == 1
    page.keyboard.press("Escape")
    page.mouse.up()
    page.wait_for_timeout(100)
    assert sheet.log == []
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(start[0] + 13, start[1] + 9, steps=3)
    page.mouse.up()
    sheet.after(1)
    told = np.array(sheet.log[0]["corner"])
    # A corner is told as it is drawn: to a hundredth of a unit, 7 mm here.
    assert np.hypot(*(told - corner)) < 0.02
    sheet.judge()


def test_a_rate_by_hand_is_kept_with_its_reason(sheet):
    page = sheet.page
    page.click(f"#open-{sheet.zone('D').zone_id}")
    page.wait_for_selector("#zone-card-title")
    page.click("#card-rate summary")
    page.fill("#rate-rate", "150")
    reasons = page.locator("#rate-reason option").all_inner_texts()
    assert len(reasons) >= 3
    page.select_option("#rate-reason", index=0)
    page.fill("#rate-words", "wet spot seen in May")
    page.click("#rate-form button")
    sheet.after(1)
    assert sheet.log[0]["op"] == "rate"
    assert sheet.log[0]["rate"] == 150.0
    assert sheet.log[0]["words"] == "wet spot seen in May"
    row = page.locator(f"#row-{sheet.zone('D').zone_id}")
    assert "by hand" in row.inner_text()
    assert "150" in row.inner_text()
    page.reload()
    settled(page)
    assert "by hand" in page.locator(f"#row-{sheet.zone('D').zone_id}").inner_text()
    page.click("#do-undo")
    sheet.after(2)
    page.wait_for_function("() => !document.querySelector('.by-hand')")


def test_undo_and_redo_by_button_and_by_keys_with_words(sheet):
    page = sheet.page
    one, two = sheet.neighbours()
    before = [zone.letter for zone in sheet.zones.zones]
    sheet.pick(one, two)
    tool(page, "merge")
    sheet.after(1)
    merged = page.locator("#zone-undo").inner_text()
    assert "merge into" in merged
    page.click("#do-undo")
    sheet.after(2)
    assert [zone.letter for zone in sheet.zones.zones] == before
    page.wait_for_function(
        "() => document.getElementById('live').innerText.startsWith('Undone: merge into')")
    page.keyboard.press("Control+y")
    sheet.after(3)
    assert len(sheet.zones.zones) == len(before) - 1
    page.keyboard.press("Control+z")
    sheet.after(4)
    assert [zone.letter for zone in sheet.zones.zones] == before
    sheet.judge()
    rows = page.locator("#zone-rows tr").evaluate_all("all => all.map(one => one.id)")
    assert rows == [f"row-{zone.zone_id}" for zone in sheet.zones.zones]


def test_what_cannot_be_done_is_said_beside_the_map_and_changes_nothing(sheet, watched):
    watched.expected = ("422",)
    page = sheet.page
    tool(page, "split")
    assert "No zone is selected" in page.locator("#tool-trouble").inner_text()
    sheet.pick("A")
    assert page.locator("#tool-trouble").is_visible()
    tool(page, "split")
    far = sheet.screen(sheet.inside("G"))
    page.mouse.click(*far)
    page.mouse.click(far[0] + 9, far[1] + 3)
    page.keyboard.press("Enter")
    page.wait_for_selector("#tool-trouble:not([hidden])")
    page.wait_for_function(
        "() => document.getElementById('tool-trouble').innerText.includes('zone')")
    assert sheet.log == []
    assert page.locator("#trouble").is_hidden()
    assert page.locator("#tool-trouble a").get_attribute("href").startswith("/code/edit-line")
    page.keyboard.press("Escape")
    assert page.locator("#tool-more").is_hidden()
    sheet.judge()


# ---- keys alone

def tab_to(page, selector, most=150):
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("s => document.activeElement.matches(s)", selector):
            return
    raise AssertionError(f"Tab never came to {selector}")


def go_to_zone(page, zone_id):
    page.evaluate("document.activeElement.blur()")
    tab_to(page, "#zone-map [data-zone]")
    seen = set()
    page.keyboard.press("Home")
    for _ in range(40):
        at = page.evaluate("document.activeElement.dataset.zone")
        if at == str(zone_id):
            return
        seen.add(at)
        page.keyboard.press("ArrowDown" if len(seen) % 3 else "ArrowRight")
        if page.evaluate("document.activeElement.dataset.zone") == at:
            page.keyboard.press("ArrowLeft" if len(seen) % 2 else "ArrowUp")
    # every zone can be reached from its row as well
    raise AssertionError(f"arrows never came to zone {zone_id}, only {seen}")


def test_everything_by_keys_alone(sheet, watched):
    watched.expected = ("422",)
    page = sheet.page
    one, two = sheet.neighbours()
    # choose by Tab and arrows, Space selects
    tab_to(page, "#zone-map [data-zone]")
    first = page.evaluate("document.activeElement.dataset.zone")
    page.keyboard.press("Space")
    assert page.locator("[aria-selected=true]").count() == 1
    page.wait_for_function("() => document.getElementById('live').innerText.includes('selected')")
    # split it with the cross-hair
    letter = page.evaluate("document.activeElement.dataset.letter")
    tab_back(page, "[data-tool=split]")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "zone-board"
    west, _, east, _ = sheet.zone(letter).polygon.bounds
    wide = int((east - west) / 30.48) + 2
    for _ in range(wide):
        page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Enter")
    for _ in range(2 * wide):
        page.keyboard.press("Shift+ArrowRight")
    # the live region is emptied and filled again a frame later
    page.wait_for_function("() => document.getElementById('live').innerText"
                           ".includes('ft from the west edge')")
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    sheet.after(1)
    assert sheet.log[0]["op"] == "split"
    assert sheet.log[0]["zone_id"] == int(first)
    sheet.judge()
    page.keyboard.press("Control+z")
    sheet.after(2)
    # move a corner: N, arrows, Enter
    page.keyboard.press("Escape")
    box = f"#row-{sheet.zone(one).zone_id} input"
    page.evaluate("document.activeElement.blur()")
    tab_to(page, box)
    page.keyboard.press("Space")
    if page.locator("[aria-selected=true]").count() > 1:
        pytest.fail("undo must not bring back a selection")
    tab_back(page, "[data-tool=corner]")
    page.keyboard.press("Enter")
    done = False
    for _ in range(30):
        page.keyboard.press("n")
        page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Enter")
        page.wait_for_timeout(150)
        if len(sheet.log) == 3:
            done = True
            break
    assert done
    assert sheet.log[2]["op"] == "move-corner"
    told = np.array(sheet.log[2]["to"]) - sheet.log[2]["corner"]
    assert told[0] == pytest.approx(3.048, abs=0.01)
    assert told[1] == pytest.approx(-0.3048, abs=0.01)
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    sheet.judge()
    # merge with its neighbour: boxes of the table
    page.evaluate("document.activeElement.blur()")
    tab_to(page, f"#row-{sheet.zone(two).zone_id} input")
    page.keyboard.press("Space")
    tab_back(page, "[data-tool=merge]")
    page.keyboard.press("Enter")
    sheet.after(4)
    assert sheet.log[3]["op"] == "merge"
    sheet.judge()


def tab_back(page, selector, most=150):
    for _ in range(most):
        page.keyboard.press("Shift+Tab")
        if page.evaluate("s => document.activeElement.matches(s)", selector):
            return
    raise AssertionError(f"Shift+Tab never came to {selector}")


def test_redraw_and_rate_by_typed_numbers_and_keys_alone(sheet):
    page = sheet.page
    one, two = sheet.neighbours()
    a, b = sheet.zone(one), sheet.zone(two)
    shared = shapely.line_merge(shapely.intersection(a.polygon.boundary, b.polygon.boundary))
    arc = max(shapely.get_parts(shared), key=lambda part: part.length)
    places = [np.array(arc.interpolate(t, normalized=True).coords[0]) for t in (0.3, 0.7)]
    west, south, _, _ = sheet.field.boundary.bounds
    along = (places[1] - places[0]) / np.hypot(*(places[1] - places[0]))
    middle = (places[0] + places[1]) / 2 + 10 * np.array([-along[1], along[0]])
    points = [(np.array(p) - (west, south)) / 0.3048 for p in (places[0], middle, places[1])]
    tab_to(page, "#by-redraw summary")
    page.keyboard.press("Enter")
    for zone in (a, b):
        page.keyboard.press("Tab")
        page.keyboard.type(zone.letter)
    page.keyboard.press("Tab")
    page.keyboard.type("\n".join(f"{x:.2f}, {y:.2f}" for x, y in points))
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    sheet.after(1)
    assert sheet.log[0]["op"] == "redraw"
    sheet.judge()
    go = page.locator("#zone-map [data-zone]").first.get_attribute("data-zone")
    page.evaluate("document.activeElement.blur()")
    tab_to(page, "#zone-map [data-zone]")
    page.keyboard.press("Home")
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.activeElement.id === 'zone-card-title'")
    tab_to(page, "#card-rate summary")
    page.keyboard.press("Enter")
    tab_to(page, "#rate-rate")
    page.keyboard.type("160")
    page.keyboard.press("Enter")
    sheet.after(2)
    assert sheet.log[1]["zone_id"] == int(go)
    assert sheet.log[1]["rate"] == 160.0


# ---- touch

def test_everything_by_touch(small, serve_folder, open_page):
    page = open_page(width=820, height=1180, touch=True)
    sheet = Sheet(page, serve_folder(small))
    one, two = sheet.neighbours()

    def tap(place_m):
        page.touchscreen.tap(*sheet.screen(place_m))

    tap(sheet.inside("C"))
    page.wait_for_selector("[aria-selected=true]")
    page.tap("[data-tool=split]")
    for place in sheet.across("C"):
        tap(place)
    page.tap("#tool-end")
    sheet.after(1)
    assert sheet.log[0]["op"] == "split"
    sheet.judge()
    page.tap("#do-undo")
    sheet.after(2)
    tap(sheet.inside(one))
    page.tap("[data-tool=corner]")
    corner = sheet.corner(one, two)
    tap(corner)
    page.wait_for_selector(".corner-taken")
    tap(np.add(corner, [24, 18]))
    sheet.after(3)
    assert sheet.log[2]["op"] == "move-corner"
    sheet.judge()
    page.tap("[data-tool-do=leave]")
    tap(sheet.inside(two))
    page.wait_for_function("() => document.querySelectorAll('[aria-selected=true]').length === 2")
    page.tap("[data-tool=merge]")
    sheet.after(4)
    sheet.judge()


def test_what_is_touched_is_at_least_40_pixels_large(small, serve_folder, open_page):
    page = open_page(width=820, height=1180, touch=True)
    sheet = Sheet(page, serve_folder(small))
    page.tap("[data-tool=split]")
    sheet.pick("C")
    page.tap("[data-tool=split]")
    small_ones = page.evaluate("""() => [...document.querySelectorAll(
        'main button, main select, main summary, main input:not([type=checkbox],[type=hidden])')]
        .filter((one) => one.checkVisibility())
        .map((one) => [one.id || one.textContent.trim(), one.getBoundingClientRect()])
        .filter(([, box]) => box.height < 40 || box.width < 40).map(([name]) => name)""")
    assert small_ones == []


# ---- two windows, reload, no script

def test_a_second_window_learns_that_the_zones_moved_on(small, serve_folder, open_page, watched):
    watched.expected = ("409",)
    served = serve_folder(small)
    first = open_page()
    sheet = Sheet(first, served)
    second = open_page(context=first.context)
    second.goto(served.address + "/zones")
    settled(second)
    one, two = sheet.neighbours()
    sheet.pick(one, two)
    tool(first, "merge")
    sheet.after(1)
    second.bring_to_front()
    row = sheet.zones.zones[0]
    with second.expect_response("**/zones/*") as told:
        second.evaluate("""async () => {
            const { send } = await import('/static/app.js');
            document.body.dataset.on = 'feedfacecafe';
            await send('/zones/split', { zone: '1', line: '[[0,0],[1,1]]' });
        }""")
    assert told.value.status == 409
    second.wait_for_function(
        "n => document.querySelectorAll('#zone-map [data-zone]').length === n",
        arg=len(sheet.zones.zones))
    assert "another window" in second.locator("#trouble").inner_text()
    assert len(sheet.log) == 1
    assert row.letter in second.locator("#zone-rows").inner_text()


def test_without_script_the_forms_do_the_same(small, serve_folder, open_page):
    page = open_page(script=False)
    served = serve_folder(small)
    with served.session.held() as bench:
        bench.live()
    page.goto(served.link)
    page.goto(served.address + "/zones")
    page.click("#by-split summary")
    page.fill("#split-zone", "C")
    page.fill("#split-bearing", "90")
    page.fill("#split-west", "1300")
    page.fill("#split-south", "1300")
    page.click("#split-form button")
    assert page.url.endswith("/zones")
    assert "is now zone" in page.locator(".done-line").inner_text()
    assert (served.folder / "edits.jsonl").read_text(encoding="utf-8").count("\n") == 1


# ---- what is shown

def test_grounds_samples_and_colours_are_shown(sheet):
    page = sheet.page
    page.select_option("#show-ground", "map potassium")
    page.wait_for_selector("#zone-ground image")
    fills = page.locator("#zone-shapes [data-zone]").evaluate_all(
        "all => [...new Set(all.map(one => one.getAttribute('fill')))]")
    assert fills == ["none"]
    page.select_option("#show-samples", "readings potassium")
    page.wait_for_selector("#zone-samples circle")
    page.select_option("#show-colour", "need K2O")
    page.focus("#show-ground")
    page.select_option("#show-ground", "")
    page.wait_for_function("() => !document.querySelector('#zone-ground image')")
    assert "Need of K2O" in page.locator("#zone-legend").inner_text()
    sheet.judge()


def test_labels_keep_their_size_and_more_of_them_appear_when_it_is_nearer(sheet):
    page = sheet.page
    shown = """() => [...document.querySelectorAll('#zone-labels [data-part=both]')]
        .filter((one) => one.getAttribute('display') !== 'none').length"""
    size = """() => document.querySelector('#zone-labels [data-part=both]:not([display]) text')
        .getBoundingClientRect().height"""
    before, height = page.evaluate(shown), page.evaluate(size)
    for _ in range(5):
        page.click("[data-map-do=in]")
    assert page.evaluate(shown) >= before
    assert page.evaluate(size) == pytest.approx(height, rel=0.1)


def test_no_violation_of_access_rules_in_any_state(sheet):
    page = sheet.page
    assert axe(page) == []
    sheet.pick("C")
    tool(page, "split")
    page.mouse.click(*sheet.screen(sheet.inside("C")))
    assert axe(page) == []
    page.keyboard.press("Escape")
    tool(page, "corner")
    page.keyboard.press("n")
    assert axe(page) == []
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    tool(page, "redraw")
    assert page.locator("#tool-trouble").is_visible()
    assert axe(page) == []
    page.click(f"#open-{sheet.zone('C').zone_id}")
    page.wait_for_selector("#zone-card-title")
    page.click("#card-rate summary")
    page.click("#by-split summary")
    assert axe(page) == []
    page.select_option("#key-zones-from", "pivot sectors")
    page.click("[data-keys]")
    assert axe(page) == []


def test_the_scale_bar_is_as_long_as_it_says_at_every_enlargement(sheet):
    """On screen the field's own width against the bar; a foot has 0.3048 m (NIST SP 811)."""
    west, south, east, _ = sheet.field.boundary.bounds
    for _ in range(4):
        (left, _), (right, _) = sheet.screen((west, south)), sheet.screen((east, south))
        pixels_per_m = (right - left) / (east - west)
        for unit, metres in (("ft", 0.3048), ("m", 1.0)):
            line = sheet.page.locator(f'[data-scale-of="zone-map"] [data-in="{unit}"]')
            words = line.locator("span").inner_text()
            said = float(words.removesuffix(f" {unit}").replace(",", ""))
            wide = line.locator("i").evaluate("bar => bar.getBoundingClientRect().width")
            assert wide == pytest.approx(said * metres * pixels_per_m, abs=1.5)
        sheet.page.click('[data-map-do="in"]')
