"""The map's own script: pan, zoom, fit and pick by mouse, keys and touch, on a drawing of ours."""

from __future__ import annotations

import pytest

_DRAWING = """
async () => {
  document.getElementById('main').innerHTML = `
    <div class="drawing"><svg id="map" data-map viewBox="0 0 400 300" width="800" height="600"
      role="group" aria-label="Zones">
      <rect id="a" data-zone="1" tabindex="0" role="button" aria-label="Zone A" x="20" y="20"
        width="150" height="200" fill="#cccccc"></rect>
      <rect id="b" data-zone="2" tabindex="0" role="button" aria-label="Zone B" x="200" y="20"
        width="150" height="200" fill="#888888"></rect></svg></div>
    <button data-map-do="in" aria-controls="map">nearer</button>
    <button data-map-do="fit" aria-controls="map">all</button>`;
  window.picked = [];
  document.addEventListener('map-pick', (event) => window.picked.push(event.detail.zone));
  await import('/static/map.js');
}
"""


@pytest.fixture
def mapped(empty, open_page, serve_folder):
    """A page with a drawing that the map's script took over."""
    def made(**more):
        app = serve_folder(empty)
        page = open_page(**more)
        page.goto(app.link)
        page.evaluate(_DRAWING)
        page.wait_for_selector("#map[data-zoom]")
        return page

    return made


def _view(page) -> list[float]:
    return [float(one) for one in page.get_attribute("#map", "viewBox").split()]


def test_keys_pan_zoom_fit_and_pick(mapped, tools) -> None:
    page = mapped()
    page.focus("#map")
    page.keyboard.press("+")
    near = _view(page)
    assert near[2] == pytest.approx(400 / 1.3)
    assert near[3] / near[2] == pytest.approx(300 / 400)
    page.keyboard.press("ArrowRight")
    assert _view(page)[0] == pytest.approx(near[0] + 0.1 * near[2])
    page.keyboard.press("-")
    page.keyboard.press("-")
    assert _view(page) == pytest.approx([0, 0, 400, 300])
    page.keyboard.press("+")
    page.keyboard.press("0")
    assert _view(page) == pytest.approx([0, 0, 400, 300])
    page.focus("#b")
    page.keyboard.press("Enter")
    page.keyboard.press(" ")
    assert page.evaluate("window.picked") == ["2", "2"]


def test_a_map_never_leaves_its_field(mapped) -> None:
    page = mapped()
    page.focus("#map")
    for key in ["ArrowLeft", "ArrowUp", "-"] * 5 + ["+"] * 60 + ["Shift+ArrowDown"] * 300:
        page.keyboard.press(key)
    left, top, wide, high = _view(page)
    assert wide == pytest.approx(10)
    assert 0 <= left <= 400 - wide + 1e-6
    assert top == pytest.approx(300 - high)


def test_a_drag_pans_and_picks_nothing_a_click_picks(mapped) -> None:
    page = mapped()
    page.click("text=nearer")
    page.click("text=nearer")
    before = _view(page)
    box = page.locator("#map").bounding_box()
    x, y = box["x"] + box["width"] / 3, box["y"] + box["height"] / 3
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 80, y + 40, steps=6)
    page.mouse.up()
    after = _view(page)
    assert after[0] < before[0]
    assert after[1] < before[1]
    assert page.evaluate("window.picked") == []
    page.click("text=all")
    page.click("#a")
    assert page.evaluate("window.picked") == ["1"]


def test_the_wheel_zooms_about_the_pointer_once_the_map_has_the_focus(mapped) -> None:
    page = mapped()
    box = page.locator("#map").bounding_box()
    x, y = box["x"] + box["width"] * 0.25, box["y"] + box["height"] * 0.25
    page.mouse.move(x, y)
    page.mouse.wheel(0, -100)
    page.wait_for_timeout(100)
    assert _view(page) == pytest.approx([0, 0, 400, 300])
    page.evaluate("scrollTo(0, 0)")
    page.focus("#map")
    box = page.locator("#map").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.25, box["y"] + box["height"] * 0.25)
    page.mouse.wheel(0, -100)
    page.wait_for_function("() => document.getElementById('map').dataset.zoom !== '1.00'")
    left, top, wide, high = _view(page)
    assert left + 0.25 * wide == pytest.approx(100, abs=1)
    assert top + 0.25 * high == pytest.approx(75, abs=1)


def test_two_fingers_zoom_and_a_tap_picks(mapped) -> None:
    page = mapped(width=820, height=1180, touch=True)
    box = page.locator("#map").bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] * 0.2, box["y"] + box["height"] * 0.2)
    assert page.evaluate("window.picked") == ["1"]
    page.evaluate("""() => {
      const map = document.getElementById('map');
      const box = map.getBoundingClientRect();
      const send = (kind, id, x, y) => map.dispatchEvent(new PointerEvent(kind, { bubbles: true,
        cancelable: true, pointerId: id, pointerType: 'touch', button: 0,
        clientX: box.left + x, clientY: box.top + y }));
      map.setPointerCapture = () => {};
      send('pointerdown', 11, 100, 100); send('pointerdown', 12, 200, 100);
      for (let k = 1; k <= 10; k += 1) send('pointermove', 12, 200 + 10 * k, 100);
      send('pointerup', 11, 100, 100); send('pointerup', 12, 300, 100);
    }""")
    assert _view(page)[2] == pytest.approx(200, rel=0.05)
