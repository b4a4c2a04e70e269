"""KML and KMZ: placemarks with their names, attributes and shapes.

OGC KML 2.2 (OGC 07-147r2) and the versions 2.0 and 2.1 before it, told apart by their namespace
only. Positions are WGS 84 longitude, latitude and metres of altitude, always (there, clause 16.10
and annex B; from memory). Nothing is fetched: links are told, not followed.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from xml.etree.ElementTree import Element

import numpy as np

from vrx.errors import InputError
from vrx.formats.xml_tree import MOST_BYTES, xml_tree
from vrx.geo import WGS84
from vrx.intake._files import ZIP_FAULTS, Part, member_bytes, zip_members
from vrx.intake._raise import listed
from vrx.intake._shape import NO_POINTS, Feature, Layer, Shape, flat
from vrx.model import Finding, FloatArray, note, warn

_NAMESPACE = re.compile(r".*/kml/2\.[0-3]")
_EXTENSION = re.compile(r".*/kml/ext/2\.[0-3]")
_SHAPES = ("Point", "LineString", "LinearRing", "Polygon", "MultiGeometry", "Track", "MultiTrack",
           "Model")
_IMAGES = ("GroundOverlay", "ScreenOverlay", "PhotoOverlay")
_WORD = {"polygon": "polygons", "line": "lines", "point": "points", "none": "records"}


def _name(element: Element) -> str:
    """An element's name if it is KML's own or without namespace, else "" (a stranger's)."""
    space, _, name = element.tag.rpartition("}")
    known = not space or _NAMESPACE.fullmatch(space) or _EXTENSION.fullmatch(space)
    return name if known else ""


def _all(element: Element, *names: str) -> list[Element]:
    return [child for child in element if _name(child) in names]


def _text(element: Element, name: str) -> str:
    found = _all(element, name)
    return (found[0].text or "").strip() if found else ""


@dataclass(slots=True)
class _Drawn:
    """Rings, lines and points of one placemark, as they are gathered."""

    polygons: list[tuple[FloatArray, ...]] = field(default_factory=list)
    lines: list[FloatArray] = field(default_factory=list)
    points: list[FloatArray] = field(default_factory=list)
    heights: bool = False
    models: int = 0

    def shape(self) -> Shape:
        return Shape(polygons=tuple(self.polygons), lines=tuple(self.lines),
                     points=np.vstack(self.points) if self.points else NO_POINTS)


def _positions(text: str, drawn: _Drawn, *, where: str) -> FloatArray:
    """Positions (n, 2); an altitude other than 0, the value that none has, is marked."""
    # A comma never parts two positions, so that "-93.1, 42.0" is one.
    rows = [item.split(",") for item in re.sub(r"\s*,\s*", ",", text).split()]
    try:
        wrong = next((row for row in rows if len(row) not in {2, 3}), None)
        if wrong is not None:
            raise ValueError(f"{','.join(wrong)[:40]!r} is not longitude,latitude[,altitude]")
        if any(float(row[2]) != 0.0 for row in rows if len(row) == 3 and row[2]):
            drawn.heights = True
        return flat([row[:2] for row in rows])
    except ValueError as err:
        raise InputError(f"its coordinates cannot be read: {err}", code="kml-coordinates",
                         where=where, hint="export it again") from err


def _ring(boundary: Element, drawn: _Drawn, *, where: str) -> list[FloatArray]:
    rings = [
        _positions(_text(ring, "coordinates"), drawn, where=where)
        for ring in _all(boundary, "LinearRing")
    ]
    return [ring for ring in rings if len(ring)]


def _draw(element: Element, drawn: _Drawn, *, where: str) -> None:
    """Add one geometry element to `drawn`; depth is bounded by the tree's own limit."""
    kind = _name(element)
    if kind in {"MultiGeometry", "MultiTrack"}:
        for child in _all(element, *_SHAPES):
            _draw(child, drawn, where=where)
    elif kind == "Model":
        drawn.models += 1
    elif kind == "Track":
        words = ",".join
        text = " ".join(words((c.text or "").split()) for c in _all(element, "coord"))
        line = _positions(text, drawn, where=where)
        drawn.lines += [line] if len(line) else []
    elif kind == "Polygon":
        outer = [r for b in _all(element, "outerBoundaryIs") for r in _ring(b, drawn, where=where)]
        inner = [r for b in _all(element, "innerBoundaryIs") for r in _ring(b, drawn, where=where)]
        if len(outer) > 1 or (inner and not outer):
            raise InputError(f"a Polygon has {len(outer)} outer boundaries, not 1",
                             code="kml-coordinates", where=where, hint="export it again")
        if outer:
            drawn.polygons.append((*outer, *inner))
    else:
        line = _positions(_text(element, "coordinates"), drawn, where=where)
        if len(line):
            (drawn.points if kind == "Point" else drawn.lines).append(line)


def _properties(placemark: Element, folder: str) -> dict[str, object]:
    """Name, folder, description and extended data; a heading that is taken gets " (data)"."""
    found: dict[str, object] = {"name": _text(placemark, "name"), "folder": folder,
                                "description": _text(placemark, "description")}
    pairs: list[tuple[str, str]] = []
    for extended in _all(placemark, "ExtendedData"):
        pairs += [(d.get("name", ""), _text(d, "value")) for d in _all(extended, "Data")]
        for data in _all(extended, "SchemaData"):
            pairs += [(d.get("name", ""), (d.text or "").strip())
                      for d in _all(data, "SimpleData")]
    for key, value in pairs:
        taken = next((k for k in found if k.casefold() == key.casefold()), None)
        if not key or (taken and found[taken] == value):
            continue
        if taken and found[taken] == "":
            found[taken] = value
            continue
        while key.casefold() in {k.casefold() for k in found}:
            key += " (data)"  # noqa: PLW2901 - the same heading, told apart
        found[key] = value
    return found


def _walk(element: Element, folder: str, seen: Counter[str]) -> Iterator[tuple[Element, str]]:
    """Every placemark with the path of its folders; counts what is no placemark."""
    for child in element:
        kind = _name(child)
        if kind == "Placemark":
            yield child, folder
        elif kind in {"Folder", "Document"}:
            own = _text(child, "name") if kind == "Folder" else ""
            yield from _walk(child, f"{folder}/{own}".strip("/") if own else folder, seen)
        elif kind == "NetworkLink" or kind in _IMAGES:
            seen[kind] += 1


def _root(data: bytes, *, where: str) -> Element:
    root = xml_tree(data, where=where)
    space, _, name = root.tag.rpartition("}")
    if name != "kml" or not (not space or _NAMESPACE.fullmatch(space)):
        raise InputError(f"its root element is <{root.tag[:80]}>, not <kml> of version 2.0 to 2.3",
                         code="kml-not-one", where=where, hint="export it as KML 2.2")
    return root


def _told(
    seen: Counter[str], features: list[tuple[Feature, _Drawn]], *, where: str
) -> list[Finding]:
    findings: list[Finding] = []
    if seen["NetworkLink"]:
        findings.append(warn("kml-link-not-followed", where,
                             f"{seen['NetworkLink']} links to other files",
                             done="not followed: what they hold is not read",
                             todo="give the linked file itself if the field is in there"))
    images = sum(seen[kind] for kind in _IMAGES)
    if images:
        findings.append(note("kml-images-left-out", where, f"{images} images laid over the map",
                             done="left out"))
    high = [feature.record for feature, drawn in features if drawn.heights]
    if high:
        findings.append(note("kml-altitude-dropped", where,
                             f"placemarks with altitudes: {listed(map(str, high))}",
                             done="altitudes dropped"))
    models = [feature.record for feature, drawn in features if drawn.models]
    if models:
        findings.append(note("kml-models-left-out", where,
                             f"3-D models in placemarks: {listed(map(str, models))}",
                             done="left out"))
    return findings


def read_kml(data: bytes, *, file: str, name: str) -> tuple[Layer, ...]:
    """A layer for each kind of placemark: polygons, lines, points, and those without a shape.

    One kind alone takes `name`; several are told apart as "`name` polygons", "`name` points". A
    placemark with several kinds of geometry belongs to its first in that order. Records count
    placemarks from 1 through the whole file. Raises `InputError`.
    """
    root = _root(data, where=file)
    seen: Counter[str] = Counter()
    found: list[tuple[Feature, _Drawn]] = []
    for number, (placemark, folder) in enumerate(_walk(root, "", seen), 1):
        properties = _properties(placemark, folder)
        label = f" {properties['name']!r}" if properties["name"] else ""
        drawn = _Drawn()
        for geometry in _all(placemark, *_SHAPES):
            _draw(geometry, drawn, where=f"{file} placemark {number}{label}")
        found.append((Feature(record=number, properties=properties, shape=drawn.shape()), drawn))
    findings = _told(seen, found, where=file)
    kinds = [k for k in _WORD if any(feature.shape.kind == k for feature, _ in found)]
    counts = {k: sum(feature.shape.kind == k for feature, _ in found) for k in kinds}
    layers = []
    for kind in kinds or ["none"]:
        own = [feature for feature, _ in found if feature.shape.kind == kind]
        heads = dict.fromkeys(key for f in own for key, value in f.properties.items() if value)
        others = [f"{counts[k]} {_WORD[k]} (layer '{name} {_WORD[k]}')" for k in kinds if k != kind]
        said = [note("kml-other-kinds", file, f"also holds {listed(others)}",
                     done=f"only the {_WORD[kind]} are read here")] if others else []
        layers.append(Layer(
            file=file, name=f"{name} {_WORD[kind]}" if others else name, crs=WGS84,
            columns=tuple(heads), findings=(*findings, *said),
            features=tuple(
                replace(f, properties={k: f.properties.get(k, "") for k in heads}) for f in own)))
    return tuple(layers)


def kml_texts(part: Part) -> list[tuple[str, str, bytes]]:
    """(file, layer name, bytes) of a .kml, or of every .kml in a .kmz inside a folder or a zip."""
    data = part.read()
    if len(data) > MOST_BYTES:
        raise InputError(f"has {len(data)} bytes; at most {MOST_BYTES} are read",
                         code="xml-too-large", where=part.name,
                         hint="export only the features of this field")
    if part.suffix == ".kml":
        return [(part.name, part.stem, data)]
    texts = []
    stream = io.BytesIO(data)
    members = [(m, p) for m, p in zip_members(stream, where=part.name)
               if p.suffix.lower() == ".kml"]
    try:
        with zipfile.ZipFile(stream) as archive:
            for member, pure in members:
                stem = part.stem if len(members) == 1 else pure.stem
                data = member_bytes(archive, archive.getinfo(member), where=part.name)
                texts.append((f"{part.name}/{pure}", stem, data))
    except InputError:
        raise
    except ZIP_FAULTS as err:
        raise InputError(f"cannot be read: {err}", code="file-unreadable", where=part.name,
                         hint="copy it again; an encrypted zip must be unpacked first") from err
    return texts
