"""Styles for desktop GIS programs, as the open `layer_styles` convention holds them (QML text)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from vrx.export.export_set import ExportSet
from vrx.formats import geopackage as facts
from vrx.formats import layer as layer_facts
from vrx.formats.crew import printable
from vrx.formats.legend import Legend

_INK = "#1d2521"
_PAPER = "#ffffff"
_SLACK = 1e-6
# Left out, the weight of letters is 0, hair lines that a white rim eats up.
_NORMAL_WEIGHT = "50"
_WITHIN_POLYGON, _AROUND_POINT = "4", "0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """One style: the table it is for, its geometry column ("" for a raster), its QML text."""

    table: str
    geometry: str
    name: str
    qml: str
    default: bool


def styles(meant: ExportSet, *, rasters: Sequence[tuple[str, str]]) -> list[Style]:
    """Outlines, samples, rates of every pass (the first is the default) and the given rasters.

    Rates and rasters, (table, key of the legend), take the classes and colours of the set's
    legends; without one there is no style.
    """
    legends = dict(meant.legends)
    made = [
        _style(facts.BOUNDARY, "field", _drawn(_single("fill", _outline(0.7)))),
        _style(facts.ZONES, "zones", _drawn(
            _single("fill", _outline(0.35)), label=f'"{layer_facts.ZONE_LETTER}"')),
    ]
    named = {one.column: f"{one.material.id}, pass {one.number}"
             for one in meant.prescription.passes}
    rated = [one.column for one in meant.prescription.passes if one.column in legends]
    made += [
        _style(facts.PRESCRIPTION, legends[column].name, _drawn(
            _classes(legends[column], column, of=named[column]),
            label=f'"{layer_facts.ZONE_LETTER}" || \' \' || "{column}"'), default=number == 0)
        for number, column in enumerate(rated)
    ]
    if meant.soil is not None:
        made.append(_style(
            facts.SAMPLES, "samples", _drawn(
                _single("marker", _dot()), label='"sample_id"', placement=_AROUND_POINT)))
    made += [
        Style(table=table, geometry="", name=printable(legends[key].name), default=True,
              qml=_text(_raster(legends[key])))
        for table, key in rasters if key in legends
    ]
    return made


def _style(table: str, name: str, root: ET.Element, *, default: bool = True) -> Style:
    return Style(table=table, geometry=facts.GEOMETRY, name=printable(name), qml=_text(root),
                 default=default)


def _text(root: ET.Element) -> str:
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode")


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[k : k + 2], 16)) for k in (1, 3, 5)) + ",255"


def _outline(width_mm: float) -> tuple[str, Mapping[str, str]]:
    return "SimpleFill", {
        "style": "no", "outline_color": _rgba(_INK), "outline_style": "solid",
        "outline_width": f"{width_mm:g}", "outline_width_unit": "MM",
    }


def _fill(colour: str) -> tuple[str, Mapping[str, str]]:
    return "SimpleFill", {
        "color": _rgba(colour), "style": "solid", "outline_color": _rgba(_INK),
        "outline_style": "solid", "outline_width": "0.2", "outline_width_unit": "MM",
    }


def _dot() -> tuple[str, Mapping[str, str]]:
    return "SimpleMarker", {
        "name": "circle", "color": _rgba(_INK), "outline_color": _rgba(_PAPER),
        "outline_width": "0.2", "size": "1.8", "size_unit": "MM",
    }


def _symbol(
    parent: ET.Element, number: int, kind: str, drawn: tuple[str, Mapping[str, str]]
) -> None:
    symbol = ET.SubElement(
        parent, "symbol", name=str(number), type=kind, alpha="1", clip_to_extent="1")
    layer = ET.SubElement(
        symbol, "layer", {"class": drawn[0], "enabled": "1", "locked": "0", "pass": "0"})
    options = ET.SubElement(layer, "Option", type="Map")
    for name, value in drawn[1].items():
        ET.SubElement(options, "Option", name=name, type="QString", value=value)


def _single(kind: str, drawn: tuple[str, Mapping[str, str]]) -> ET.Element:
    renderer = ET.Element("renderer-v2", type="singleSymbol", symbollevels="0", forceraster="0")
    _symbol(ET.SubElement(renderer, "symbols"), 0, kind, drawn)
    return renderer


def _classes(legend: Legend, column: str, *, of: str) -> ET.Element:
    # The layer is called the same for every pass: each class says of what its rate is.
    renderer = ET.Element(
        "renderer-v2", type="graduatedSymbol", attr=column, graduatedMethod="GraduatedColor",
        symbollevels="0", forceraster="0")
    ranges = ET.SubElement(renderer, "ranges")
    symbols = ET.SubElement(renderer, "symbols")
    rows = zip(legend.low, legend.high, legend.colours, legend.words, strict=True)
    for number, (low, high, colour, words) in enumerate(rows):
        # A rate of 0.1 steps comes out a last bit beside the figure that is written here.
        slack = _SLACK if low == high else 0.0
        ET.SubElement(
            ranges, "range", lower=f"{low - slack:.15g}", upper=f"{high + slack:.15g}",
            symbol=str(number), label=printable(f"{words} {of}"), render="true")
        _symbol(symbols, number, "fill", _fill(colour))
    return renderer


def _drawn(
    renderer: ET.Element, *, label: str = "", placement: str = _WITHIN_POLYGON
) -> ET.Element:
    root = ET.Element("qgis", version="3.28", styleCategories="Symbology|Labeling",
                      labelsEnabled="1" if label else "0")
    root.append(renderer)
    if label:
        labeling = ET.SubElement(root, "labeling", type="simple")
        settings = ET.SubElement(labeling, "settings")
        style = ET.SubElement(
            settings, "text-style", fieldName=label, isExpression="1", fontSize="9",
            fontSizeUnit="Point", fontWeight=_NORMAL_WEIGHT, textColor=_rgba(_INK))
        ET.SubElement(style, "text-buffer", bufferDraw="1", bufferSize="0.8",
                      bufferSizeUnits="MM", bufferColor=_rgba(_PAPER))
        ET.SubElement(settings, "placement", placement=placement, dist="0.5", distUnits="MM")
        # A labelled polygon drives the labels of the layers under it away, if it is let.
        ET.SubElement(settings, "rendering", obstacle="0")
    return root


def _raster(legend: Legend) -> ET.Element:
    root = ET.Element("qgis", version="3.28", styleCategories="Symbology")
    low, high = f"{legend.low[0]:.15g}", f"{legend.high[-1]:.15g}"
    renderer = ET.SubElement(
        ET.SubElement(root, "pipe"), "rasterrenderer", type="singlebandpseudocolor", band="1",
        opacity="1", alphaBand="-1", classificationMin=low, classificationMax=high)
    shader = ET.SubElement(
        ET.SubElement(renderer, "rastershader"), "colorrampshader", colorRampType="DISCRETE",
        classificationMode="2", clip="0", minimumValue=low, maximumValue=high)
    # Each class reaches up to its value; the last takes all above.
    ends = [*legend.high[:-1], math.inf]
    for end, colour, words in zip(ends, legend.colours, legend.words, strict=True):
        ET.SubElement(shader, "item", value=f"{end:.15g}", color=colour, alpha="255",
                      label=printable(words))
    return root
