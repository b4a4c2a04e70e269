"""Two users of the app: one with a mouse, one with a keyboard alone, who do the same job.

`Keys` touches nothing but `page.keyboard`: a control is reached by Tab from where the focus is, and
must then be seen: an outline or ring on it, inside the window, and not beneath the bar of totals.
"""

from __future__ import annotations

import re
from pathlib import Path

SEEN = """() => {
  const one = document.activeElement, style = getComputedStyle(one);
  const box = one.getBoundingClientRect();
  const outlined = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
  const ringed = one.closest('svg') !== null &&
    (document.querySelector('#zone-chosen .ring') !== null || parseFloat(style.strokeWidth) >= 3);
  const left = Math.max(box.left, 0), right = Math.min(box.right, innerWidth);
  const top = Math.max(box.top, 0), bottom = Math.min(box.bottom, innerHeight);
  const bar = document.getElementById('bar');
  const free = [0.1, 0.5, 0.9].some((part) => {
    const at = document.elementFromPoint((left + right) / 2, top + part * (bottom - top));
    return at && !(bar && bar.contains(at) && !bar.contains(one));
  });
  return { ring: outlined || ringed, inside: right > left && bottom > top, free,
    what: `${one.tagName} ${one.id} ${one.getAttribute('aria-label') || one.textContent}`
      .trim().slice(0, 80) };
}"""

# Corners of a zone that others share; the zone that shares most of them; acres of each zone.
SHEET = """async (id) => {
  const { Sheet } = await import('/static/sheet.js');
  const sheet = new Sheet(document.getElementById('zone-map'));
  const own = new Set(sheet.rings(id).flat().map(String));
  let best = '', most = 0;
  for (const zone of sheet.zones()) {
    const other = zone.dataset.zone;
    if (other === id) continue;
    const count = sheet.rings(other).flat().filter((at) => own.has(String(at))).length;
    if (count > most) { most = count; best = other; }
  }
  return { corners: sheet.sharedCorners([id]), neighbour: best };
}"""

ON_SCREEN = """([id, across, down]) => {
  const shapes = document.getElementById('zone-shapes');
  const told = document.querySelector(`#label-${id} [data-place]`)?.dataset.place;
  const at = across === null ? told.match(/-?[\\d.]+/g).map(Number)
    : [across, down];
  const m = shapes.getScreenCTM(), box = document.getElementById(`shape-${id}`)
    .getBoundingClientRect();
  return { x: m.a * at[0] + m.e, y: m.d * at[1] + m.f,
    west: box.left, east: box.right, north: box.top, south: box.bottom };
}"""


class Hand:
    """What both share: looking, and waiting for what the page says."""

    def __init__(self, page, tools) -> None:
        self.page, self.tools = page, tools
        # choosers are taken over from the start: the first key must not come before that
        page.on("filechooser", lambda _: None)

    def settled(self) -> None:
        """No work goes on and nothing is being sent."""
        self.tools.settled(self.page, seconds=240)

    def said(self, words: str) -> None:
        """The live region says it."""
        for _ in range(600):
            told = self.page.inner_text("#live")
            if words in told:
                return self.settled()
            wrong = self.page.inner_text("#trouble") + " ".join(
                self.page.locator(".beside-trouble, #tool-trouble").all_inner_texts())
            self.page.wait_for_timeout(100)
        raise AssertionError(f"not said: {words!r}; said: {told!r}; {wrong}")

    def zones(self) -> dict[str, float]:
        """Acres by zone id, as the table says."""
        return {row[0].removeprefix("row-"): float(row[1]) for row in self.page.evaluate(
            "() => [...document.querySelectorAll('#zone-rows tr')].map((row) =>"
            " [row.id, row.querySelector('td.n').textContent])")}

    def letter(self, zone: str) -> str:
        """The letter of a zone on the map."""
        return self.page.get_attribute(f"#zone-{zone}", "data-letter")

    def sheet(self, zone: str) -> dict:
        """Shared corners of a zone, and the neighbour that it shares most with."""
        return self.page.evaluate(SHEET, zone)

    def until(self, count: int) -> None:
        """The map holds so many zones."""
        self.page.wait_for_function(
            "n => document.querySelectorAll('#zone-map [data-zone]').length === n", arg=count,
            timeout=120_000)
        self.settled()

    def work(self, selector: str, words: str) -> None:
        """Press a button and wait for what is said."""
        self.page.evaluate("document.getElementById('live').textContent = ''")
        self.press(selector)
        self.said(words)


class Mouse(Hand):
    """Clicks at places of the screen, and types."""

    def step(self, number: int) -> None:
        """To a step of the job."""
        self.page.click(f"#steps li:nth-of-type({number}) a")
        self.page.wait_for_load_state()
        self.settled()

    def press(self, selector: str) -> None:
        """Press a button."""
        self.page.click(selector)

    def open(self, selector: str) -> None:
        """Open what is folded."""
        if self.page.get_attribute(selector, "open") is None:
            self.page.click(f"{selector} > summary")

    def type(self, selector: str, text: str) -> None:
        """Put text into a field, in place of what is there."""
        self.page.click(selector, click_count=3)
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def choose(self, selector: str, value: str) -> None:
        """Choose of a list (its opened list is the browser's own, beyond the page)."""
        self.page.select_option(selector, value)

    def tick(self, selector: str) -> None:
        """Tick a box or take one of several."""
        self.page.check(selector)

    def bring(self, selector: str, files: list[Path]) -> None:
        """Choose files."""
        with self.page.expect_file_chooser() as coming:
            self.page.click(selector)
        coming.value.set_files(files)

    # ---- the map of zones

    def _at(self, zone: str, place: tuple[float, float] | None = None) -> dict[str, float]:
        self.page.evaluate("document.getElementById('zone-map').scrollIntoView({block: 'center'})")
        return self.page.evaluate(ON_SCREEN, [zone, *(place or (None, None))])

    def pick(self, *zones: str) -> None:
        """Select just these zones."""
        for box in self.page.query_selector_all("#zone-rows input:checked"):
            box.click()
        for zone in zones:
            at = self._at(zone)
            self.page.mouse.click(at["x"], at["y"])
        assert self.page.locator("[aria-selected=true]").count() == len(zones)

    def split(self, zone: str) -> None:
        """Draw across a zone with the button held."""
        self.pick(zone)
        self.page.click("[data-tool=split]")
        at = self._at(zone)
        self.page.mouse.move(at["west"] - 6, at["y"] + 3)
        self.page.mouse.down()
        self.page.mouse.move(at["x"], at["y"])
        self.page.mouse.move(at["east"] + 6, at["y"] - 3)
        self.page.mouse.up()

    def merge(self, one: str, other: str) -> None:
        """Make two zones one."""
        self.pick(one, other)
        self.page.click("[data-tool=merge]")

    def corner(self, zone: str) -> None:
        """Drag a corner that the zone shares."""
        corners = self.sheet(zone)["corners"]
        self.pick(zone)
        self.page.click("[data-tool=corner]")
        at = self._at(zone, corners[len(corners) // 2])
        self.page.mouse.move(at["x"], at["y"])
        self.page.mouse.down()
        self.page.mouse.move(at["x"] + 6, at["y"] + 6)
        self.page.mouse.move(at["x"] + 7, at["y"] + 4)
        self.page.mouse.up()

    def leave_tool(self) -> None:
        """Put the tool away."""
        self.page.click("[data-tool-do=leave]")

    def undo(self) -> None:
        """Take the last change back."""
        self.press("#do-undo")

    def redo(self) -> None:
        """Do it again."""
        self.press("#do-redo")

    def open_zone(self, zone: str) -> None:
        """Open the card of a zone."""
        self.press(f"#open-{zone}")


class Keys(Hand):
    """Keys alone."""

    def __init__(self, page, tools) -> None:
        super().__init__(page, tools)
        self.unseen: list[str] = []

    def reach(self, selector: str) -> None:
        """Tab to a control, the nearer way round, and see the focus on it."""
        self.page.wait_for_selector(selector, state="attached")
        for _ in range(400):
            way = self.page.evaluate(
                "(selector) => { const to = document.querySelector(selector),"
                " at = document.activeElement;"
                " if (!to || to === at) return to ? 'here' : 'gone';"
                " if (at === document.body) return 'Tab';"
                " return at.compareDocumentPosition(to) & Node.DOCUMENT_POSITION_PRECEDING"
                " ? 'Shift+Tab' : 'Tab'; }", selector)
            assert way != "gone", selector
            if way == "here":
                break
            self.page.keyboard.press(way)
        else:
            raise AssertionError(f"Tab does not reach {selector}; the focus is on "
                                 f"{self.page.evaluate(SEEN)['what']}")
        self.seen()

    def seen(self) -> None:
        """The focus can be seen."""
        told = self.page.evaluate(SEEN)
        assert told["ring"], f"no ring: {told['what']}"
        assert told["inside"], f"outside the window: {told['what']}"
        assert told["free"], f"beneath the bar: {told['what']}"

    def step(self, number: int) -> None:
        """To a step of the job: its number."""
        if self.page.evaluate("document.activeElement.matches('input:not([type=checkbox]):not("
                              "[type=radio]), textarea, select')"):
            self.reach("#steps a")
        address = self.page.get_attribute(f"#steps li:nth-of-type({number}) a", "href")
        self.page.keyboard.press(str(number))
        self.page.wait_for_url(f"**{address}")
        self.page.wait_for_load_state()
        self.settled()

    def press(self, selector: str) -> None:
        """Press a button."""
        self.reach(selector)
        self.page.keyboard.press("Enter")

    def open(self, selector: str) -> None:
        """Open what is folded."""
        if self.page.get_attribute(selector, "open") is None:
            self.press(f"{selector} > summary")

    def type(self, selector: str, text: str) -> None:
        """Put text into a field, in place of what is there."""
        self.reach(selector)
        if self.page.get_attribute(selector, "type") == "date":
            year, month, day = text.split("-")
            self.page.keyboard.type(month + day + year)
            return
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def choose(self, selector: str, value: str) -> None:
        """Choose of a list by its arrows."""
        self.reach(selector)
        steps = self.page.evaluate(
            "([selector, value]) => { const one = document.querySelector(selector);"
            " return [...one.options].findIndex((each) => each.value === value)"
            " - one.selectedIndex; }", [selector, value])
        for _ in range(abs(steps)):
            self.page.keyboard.press("ArrowDown" if steps > 0 else "ArrowUp")
        assert self.page.input_value(selector) == value

    def tick(self, selector: str) -> None:
        """Tick a box; among several of which one is taken, go to it by arrows."""
        if self.page.is_checked(selector):
            return
        if self.page.get_attribute(selector, "type") == "radio":
            name = self.page.get_attribute(selector, "name")
            taken = f"[name='{name}']:checked"
            self.reach(taken if self.page.locator(taken).count() else f"[name='{name}']")
            self.page.keyboard.press("Space")
            for _ in range(self.page.locator(f"[name='{name}']").count()):
                if self.page.is_checked(selector):
                    return
                self.page.keyboard.press("ArrowDown")
        else:
            self.reach(selector)
            self.page.keyboard.press("Space")
        assert self.page.is_checked(selector)

    def bring(self, selector: str, files: list[Path]) -> None:
        """Choose files."""
        self.reach(selector)
        with self.page.expect_file_chooser() as coming:
            self.page.keyboard.press("Space")
        coming.value.set_files(files)

    # ---- the map of zones

    def to_zone(self, zone: str) -> None:
        """Tab to the map, then from zone to zone."""
        self.reach("#zone-shapes [tabindex='0']")
        self.page.keyboard.press("Home")
        for _ in range(self.page.locator("#zone-shapes [data-zone]").count()):
            if self.page.evaluate("document.activeElement.dataset.zone") == zone:
                return self.seen()
            self.page.keyboard.press("PageDown")
        raise AssertionError(f"zone {zone} is not reached")

    def pick(self, *zones: str) -> None:
        """Select just these zones."""
        self.reach("#zone-shapes [tabindex='0']")
        self.page.keyboard.press("Escape")
        for zone in zones:
            self.to_zone(zone)
            self.page.keyboard.press("Space")
        assert self.page.locator("[aria-selected=true]").count() == len(zones)

    def split(self, zone: str) -> None:
        """Move the cross-hair west out of the zone, set a point, east out of it, set another."""
        self.pick(zone)
        self.press("[data-tool=split]")
        self.seen()
        for way, _back in (("ArrowLeft", 0), ("ArrowRight", 1)):
            for _ in range(60):
                self.page.keyboard.press(f"Shift+{way}")
                if not self._inside(zone):
                    break
            self.page.keyboard.press("Enter")
        self.page.keyboard.press("Enter")

    def _inside(self, zone: str) -> bool:
        """Whether the cross-hair stands in a zone, as the live region tells it."""
        self.page.wait_for_function(
            "() => document.getElementById('live').textContent.includes('south edge')")
        told = self.page.inner_text("#live")
        return re.search(rf"zone {re.escape(self.letter(zone))}$", told) is not None

    def merge(self, one: str, other: str) -> None:
        """Make two zones one."""
        self.pick(one, other)
        self.press("[data-tool=merge]")

    def corner(self, zone: str) -> None:
        """Take a corner and move it 13 ft."""
        self.pick(zone)
        self.press("[data-tool=corner]")
        self.seen()
        for key in ("n", "n", "Shift+ArrowRight", "ArrowDown", "ArrowDown", "ArrowDown", "Enter"):
            self.page.keyboard.press(key)

    def leave_tool(self) -> None:
        """Put the tool away."""
        self.page.keyboard.press("Escape")
        if self.page.locator("#zone-board[data-using]").count():
            self.page.keyboard.press("Escape")

    def undo(self) -> None:
        """Take the last change back."""
        self.page.keyboard.press("Control+z")

    def redo(self) -> None:
        """Do it again."""
        self.page.keyboard.press("Control+y")

    def open_zone(self, zone: str) -> None:
        """Open the card of a zone."""
        self.to_zone(zone)
        self.page.keyboard.press("Enter")
