"""What every drawing of a page must keep, checked from the text of the page alone.

Contrast is that of the Web Content Accessibility Guidelines 2.2, success criterion 1.4.3 (4.5 : 1),
with relative luminance by their definition; what lies under a text is the last shape drawn before
it that holds its middle. Attributes are those of SVG 1.1, chapter 6.1 (presentation attributes) and
of the elements themselves; no style sheet is asked for.
"""

from __future__ import annotations

import base64
import re
import struct
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass, field

import shapely

PAPER = "#ffffff"
LEAST_SIZE = 8.0
LEAST_CONTRAST = 4.5
_PAINT = {"fill", "stroke", "stroke-width", "stroke-linejoin", "stroke-dasharray", "fill-rule"}
ALLOWED = {
    "svg": {"viewBox", "width", "height", "font-family", "role", "aria-labelledby"},
    "title": {"id"}, "desc": {"id"}, "defs": set(), "clipPath": {"id"},
    "g": _PAINT | {"font-size", "aria-hidden", "clip-path"},
    "text": _PAINT | {"x", "y", "font-size", "font-weight", "text-anchor", "aria-hidden"},
    "line": _PAINT | {"x1", "y1", "x2", "y2"},
    "rect": _PAINT | {"x", "y", "width", "height"},
    "circle": _PAINT | {"cx", "cy", "r"},
    "path": _PAINT | {"d", "id", "clip-rule"},
    "polyline": _PAINT | {"points"},
    "use": {"href", "fill"},
    "image": {"href", "x", "y", "width", "height", "preserveAspectRatio", "image-rendering"},
    "pattern": {"id", "width", "height", "patternUnits"},
}
_NAMES = {"id", "href", "fill", "stroke", "font-family", "aria-labelledby", "clip-path", "role"}


def drawings(page: str) -> list[ET.Element]:
    """Every drawing of a page."""
    return [ET.fromstring(m) for m in re.findall(r"<svg.*?</svg>", page, flags=re.S)]  # noqa: S314


def faults(page: str) -> list[str]:
    """What breaks a law, in words; an empty list is a page as it must be."""
    found = [f"id {one} stands {n} times" for one, n in _count(page).items() if n > 1]
    for root in drawings(page):
        key = (root.get("aria-labelledby") or "?").split("-title")[0]
        found += [f"{key}: {fault}" for fault in _faults(root)]
    return found


def _count(page: str) -> dict[str, int]:
    counts: dict[str, int] = {}
    for one in re.findall(r'\sid="([^"]+)"', page):
        counts[one] = counts.get(one, 0) + 1
    return counts


def _faults(root: ET.Element) -> Iterator[str]:
    own = {one.get("id") for one in root.iter() if one.get("id")}
    spoken = [(root.find(name), name) for name in ("title", "desc")]
    for one, name in spoken:
        if one is None or not (one.text or "").strip():
            yield f"no {name}"
    if root.get("role") != "img":
        yield "role is not img"
    for one in root.iter():
        if one.tag not in ALLOWED:
            yield f"element {one.tag}"
            continue
        for name, value in one.attrib.items():
            if name not in ALLOWED[one.tag]:
                yield f"{one.tag} has {name}"
            elif name not in _NAMES and any(
                    abs(float(n)) >= 10_000 for n in re.findall(r"-?\d+(?:\.\d+)?", value)):
                yield f"{one.tag} {name} reaches 10,000"
            target = _target(name, value)
            if target and target not in own:
                yield f"{target} stands in no part of the drawing"
    yield from _texts(root)
    yield from _colours(root)


def _target(name: str, value: str) -> str:
    if name == "href" and value.startswith("#"):
        return value[1:]
    return value[5:-1] if value.startswith("url(#") else ""


def _colours(root: ET.Element) -> Iterator[str]:
    for image in root.iter("image"):
        data = base64.b64decode((image.get("href") or "").split(",")[1])
        at = data.index(b"PLTE")
        colours = struct.unpack(">I", data[at - 4:at])[0] // 3
        if colours > 7:
            yield f"a raster of {colours} colours, one of them no colour"
    fills = {one.get("fill") for one in root.iter("use") if one.get("fill")}
    if len(fills) > 6:
        yield f"{len(fills)} classes of zones"


@dataclass
class _Under:
    """Shapes drawn so far, and texts that are halos."""

    shapes: list[tuple[shapely.Geometry, str]] = field(default_factory=list)
    halos: dict[tuple[str, str, str], str] = field(default_factory=dict)

    def colour(self, across: float, down: float) -> str:
        spot = shapely.Point(across, down)
        return next((fill for shape, fill in reversed(self.shapes) if shape.covers(spot)), PAPER)


def _texts(root: ET.Element) -> Iterator[str]:
    under = _Under()
    paths = {one.get("id"): one for one in root.iter("path") if one.get("id")}
    width, height = (float(v) for v in (root.get("viewBox") or "0 0 0 0").split()[2:])
    yield from _walk(root, {}, under, paths, (width, height))


def _walk(
    node: ET.Element, held: dict[str, str], under: _Under, paths: dict[str | None, ET.Element],
    size: tuple[float, float],
) -> Iterator[str]:
    for one in node:
        if one.tag in ("defs", "clipPath", "pattern", "title", "desc"):
            continue
        now = {**held, **one.attrib}
        if one.tag == "text":
            yield from _text(one, now, under, size)
        elif one.tag == "g":
            yield from _walk(one, now, under, paths, size)
        else:
            shape = _shape(one, paths)
            fill = now.get("fill", "#000000")
            if shape is not None and fill != "none":
                under.shapes.append((shape, "image" if one.tag == "image" else fill))


def _text(
    one: ET.Element, now: dict[str, str], under: _Under, size: tuple[float, float]
) -> Iterator[str]:
    text, font = one.text or "", float(now.get("font-size", 0))
    if font < LEAST_SIZE:
        yield f"{text!r} has a size of {font:g}"
    place = (text, now["x"], now["y"])
    if now.get("stroke") not in (None, "none"):
        under.halos[place] = now["stroke"]
        return
    across, down = float(now["x"]), float(now["y"])
    narrow = sum(c in " ,.:;'|()il" for c in text)
    half = font * (0.14 * narrow + 0.28 * (len(text) - narrow))
    across += {"start": half, "middle": 0.0, "end": -half}[now.get("text-anchor", "start")]
    if not (across - 0.9 * half > -2 and across + 0.9 * half < size[0] + 6
            and 0 < down <= size[1] + 1):
        yield f"{text!r} leaves the drawing"
    below = under.halos.get(place) or under.colour(across, down - 0.35 * font)
    if below == "image" or below.startswith("url("):
        yield f"{text!r} lies on a picture without a halo"
    elif contrast(now.get("fill", "#000000"), below) < LEAST_CONTRAST:
        yield f"{text!r}: {now.get('fill')} on {below} cannot be read"


def _shape(one: ET.Element, paths: dict[str | None, ET.Element]) -> shapely.Geometry | None:
    if one.tag in ("rect", "image"):
        left, top, wide, tall = (float(one.get(n, 0)) for n in ("x", "y", "width", "height"))
        return shapely.box(left, top, left + wide, top + tall)
    if one.tag == "circle":
        middle = shapely.Point(float(one.get("cx", 0)), float(one.get("cy", 0)))
        return middle.buffer(float(one.get("r", 0)))
    if one.tag == "use":
        named = paths.get((one.get("href") or "#")[1:])
        if named is None:
            return None
        one = named
    if one.tag != "path":
        return None
    return _polygon(one.get("d") or "")


def _polygon(data: str) -> shapely.Geometry | None:
    """Rings of `M`, `l`, `L` and `z`, even-odd; None for anything with curves."""
    if set(re.findall("[A-Za-z]", data)) - set("MlLz"):
        return None
    rings = []
    for part in data.split("z"):
        spots: list[tuple[float, float]] = []
        for letter, numbers in re.findall("([MlL])([^MlL]*)", part):
            values = [float(v) for v in re.findall(r"-?\d+(?:\.\d+)?", numbers)]
            for across, down in zip(values[::2], values[1::2], strict=True):
                spots.append((spots[-1][0] + across, spots[-1][1] + down)
                             if letter == "l" else (across, down))
        if len(spots) > 2:
            rings.append(shapely.make_valid(shapely.Polygon(spots)))
    shape: shapely.Geometry = shapely.Polygon()
    for ring in rings:
        shape = shapely.symmetric_difference(shape, ring)
    return shape


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb"."""
    parts = [int(colour[k:k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
