"""The sheet of a sampling crew: map, points, cautions and bag labels, to be printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from markupsafe import Markup

from vrx.model import CrewPlan, Field, FloatArray, Severity
from vrx.report import frame as frames
from vrx.report import maps, numbers, svg
from vrx.report.colours import INK, PAPER
from vrx.report.frame import SOFT, WIDTH
from vrx.report.labels import place_beside_points
from vrx.report.page import template
from vrx.units import FT_M

_DEGREES = 6
_HATCH = "#8a938c"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One point as printed."""

    number: int
    zone: str
    latitude: str
    longitude: str
    bags: str
    also: str
    why: str


def crew_map(
    *, key: str, field: Field, plan: CrewPlan, zones: Sequence[tuple[str, shapely.Geometry]],
    away: Sequence[shapely.Geometry],
) -> maps.Picture:
    """The field with numbered points, the walk between them, zones and ground to keep off."""
    title = "Points in walking order"
    head, top = frames.heading(title, f"{len(plan.points)} points. {_walk_words(plan)}")
    reach = shapely.union_all([field.boundary, shapely.Point(plan.start_m)])
    frame = frames.frame_for(shapely.MultiPolygon([shapely.box(*reach.bounds)]), top=top)
    places = frame.places(np.array([[p.easting_m, p.northing_m] for p in plan.points]))
    start = frame.places(np.array([plan.start_m]))
    path = [(float(a), float(d)) for a, d in np.vstack([start, places])]
    special = [i for i, one in enumerate(plan.points) if one.plants or one.second_bag]
    texts = [str(one.number) for one in plan.points]
    size = 12.0 if len(texts) <= 40 else 9.0
    starts = place_beside_points(places, texts, size=size, canvas=frame.canvas, dot=3.2)
    placed = [(text, at) for text, at in zip(texts, starts, strict=True) if at is not None]
    remark = "" if len(placed) == len(texts) else (
        f"{len(texts) - len(placed)} numbers had no room; the table and the files have all.")
    foot, after = frames.furniture(frame)
    body = [
        head, maps.outline(frame, field, fill="#f6f6f1"), _zone_lines(frame, zones),
        _kept_off(key, frame, away, field),
        svg.polyline(path, stroke=PAPER, width=3.4), _walk(path), _gate(path[0]),
        _rings(places, special), _dots(places), svg.haloed_group(placed, size=size), foot,
        _legend(key, away=bool(away), special=bool(special), zones=bool(zones), top=after),
    ]
    return maps.Picture(
        svg.drawing(
            key=key, width=WIDTH, height=after + 40, title=title, body=body,
            description=f"{field.name}: {len(texts)} numbered points, joined by a walk that begins "
            f"at {plan.start_words}.",
        ),
        remark,
    )


def _walk_words(plan: CrewPlan) -> str:
    miles = plan.walk_m / FT_M / 5280
    return (f"The walk begins at {plan.start_words} and is {numbers.fixed(miles, 1)} miles in "
            "straight lines.")


def _walk(path: list[tuple[float, float]]) -> str:
    points = " ".join(f"{svg.number(a)},{svg.number(d)}" for a, d in path)
    return svg.element("polyline", points=points, fill="none", stroke=SOFT, stroke_width=1.3,
                       stroke_dasharray="5 3", stroke_linejoin="round")


def _gate(at: tuple[float, float]) -> str:
    across, down = at
    return svg.element("path", d=f"M{svg.number(across - 6)} {svg.number(down + 5)}h12l-6 -11z",
                       fill=PAPER, stroke=INK, stroke_width=1.6)


def _dots(places: FloatArray) -> str:
    circles = [svg.element("circle", cx=a, cy=d, r=3.2) for a, d in places.tolist()]
    return svg.element("g", *circles, fill=INK, stroke=PAPER, stroke_width=1.0) if circles else ""


def _rings(places: FloatArray, special: Sequence[int]) -> str:
    circles = [svg.element("circle", cx=a, cy=d, r=6.4) for a, d in places[special].tolist()]
    return svg.element("g", *circles, fill=PAPER, stroke=INK, stroke_width=1.3) if circles else ""


def _zone_lines(
    frame: frames.MapFrame, zones: Sequence[tuple[str, shapely.Geometry]]
) -> str:
    marks = []
    for letter, polygon in zones:
        shape = shapely.simplify(frame.geometry(polygon), 0.15)
        marks.append(svg.element("path", d=svg.path_data(shape), fill="none", stroke=_HATCH,
                                 stroke_width=0.9))
        biggest = max(shapely.get_parts(shape), key=shapely.area)
        across, down = shapely.get_coordinates(shapely.maximum_inscribed_circle(biggest))[0]
        marks.append(svg.label(letter, float(across), float(down) + 8, size=17, anchor="middle",
                               bold=True, fill="#6a736c"))
    return "".join(marks)


def _kept_off(
    key: str, frame: frames.MapFrame, away: Sequence[shapely.Geometry], field: Field
) -> str:
    if not away:
        return ""
    shape = shapely.intersection(shapely.union_all(list(away)), field.boundary)
    if shape.is_empty:
        return ""
    shape = shapely.simplify(frame.geometry(shape), 0.15)
    return _hatch(key) + svg.element(
        "path", d=svg.path_data(shape), fill=f"url(#{key}-off)", stroke=_HATCH, stroke_width=0.8,
        fill_rule="evenodd")


def _hatch(key: str) -> str:
    line = svg.element("path", d="M0 6L6 0", stroke=_HATCH, stroke_width=1.2)
    return svg.element("defs", svg.element(
        "pattern", line, id=f"{key}-off", width=6, height=6, patternUnits="userSpaceOnUse"))


def _legend(key: str, *, away: bool, special: bool, zones: bool, top: float) -> str:
    left, down = 12.0, top + 14
    marks = [_gate((left + 6, down - 3)), svg.label("start", left + 18, down)]
    at = left + 62
    if special:
        marks += [_rings(np.array([[at + 6, down - 4]]), [0]),
                  svg.label("more than soil, see the table", at + 18, down)]
        at += 202
    if away:
        marks += [svg.element("rect", x=at, y=down - 10, width=18, height=12,
                              fill=f"url(#{key}-off)", stroke=_HATCH),
                  svg.label("keep off", at + 24, down)]
        at += 84
    if zones:
        marks.append(svg.label("letters: zones", at, down, fill=SOFT))
    return "".join(marks)


def _rows(plan: CrewPlan) -> list[_Row]:
    rows = []
    for point in plan.points:
        bags = dict.fromkeys(one.bag for one in plan.labels if one.number == point.number)
        also = ["second bag"] if point.second_bag else []
        also += ["plants" if point.soil else "plants only"] if point.plants else []
        rows.append(_Row(
            number=point.number, zone=point.zone or "–",
            latitude=f"{point.latitude:.{_DEGREES}f}", longitude=f"{point.longitude:.{_DEGREES}f}",
            bags=", ".join(bags), also=" and ".join(also), why=point.why,
        ))
    return rows


def worth_map(
    *, key: str, field: Field, plan: CrewPlan, candidates: FloatArray, gain: FloatArray, unit: str
) -> str:
    """What one more sample would bring at every candidate: larger dots bring more."""
    title = "What one more sample would bring"
    most = max(float(gain.max()), 1e-12)
    head, top = frames.heading(
        title, f"Fall in expected misapplied product, {unit} over the field, of one sample alone.")
    frame = frames.frame_for(field.boundary, top=top)
    reach = min(5.5, 0.45 * frame.units_per_m * _spacing(field, len(candidates)))
    radius = reach * np.sqrt(np.clip(gain, 0.0, None) / most)
    dots = [
        svg.element("circle", cx=float(a), cy=float(d), r=float(r))
        for (a, d), r in zip(frame.places(candidates).tolist(), radius.tolist(), strict=True)
        if r >= 0.3
    ]
    chosen = frame.places(
        np.array([[p.easting_m, p.northing_m] for p in plan.points if p.rank is not None]))
    rings = [svg.element("circle", cx=a, cy=d, r=6.5) for a, d in chosen.tolist()]
    foot, after = frames.furniture(frame)
    largest = numbers.fixed(most, 0 if most >= 10 else 1)
    body = [
        head, maps.outline(frame, field, fill="none"),
        svg.element("g", *dots, fill="#7d6b78"),
        svg.element("g", *rings, fill="none", stroke=INK, stroke_width=1.5), foot,
        svg.element("circle", cx=20, cy=after + 10, r=reach, fill="#7d6b78"),
        svg.label(f"{largest} {unit}, the most", 32, after + 14),
        svg.element("circle", cx=190, cy=after + 10, r=6.5, fill="none", stroke=INK,
                    stroke_width=1.5),
        svg.label("chosen, one after another", 202, after + 14),
    ]
    return svg.drawing(
        key=key, width=WIDTH, height=after + 26, title=title, body=body,
        description=f"{len(candidates)} candidates; the best brings {largest} {unit}.")


def _cautions(cautions: Sequence[str]) -> tuple[list[str], str]:
    """Cautions without the evidence that all of them share, and that evidence."""
    split = [text.removesuffix(")").rpartition(" (") for text in cautions]
    evidence = {end for _, _, end in split}
    if len(evidence) != 1 or any(not text.endswith(")") for text in cautions):
        return list(cautions), ""
    return [begin for begin, _, _ in split], evidence.pop()


def _spacing(field: Field, count: int) -> float:
    return float(np.sqrt(field.boundary.area / max(count, 1)))


def crew_sheet(
    *, field: Field, plan: CrewPlan, run: str, zones: Sequence[tuple[str, shapely.Geometry]] = (),
    away: Sequence[shapely.Geometry] = (),
    worth: tuple[FloatArray, FloatArray, str] | None = None,
) -> str:
    """One self-contained HTML document: the crew's page, then the bag labels to cut out.

    zones are (letter, polygon) in the field's CRS, `away` ground to keep off, `worth` the
    candidates (m, 2), what each would bring alone (m,) and its unit. No script, no request; equal
    arguments give equal bytes; all texts are escaped.
    """
    cautions, evidence = _cautions(plan.cautions)
    value = "" if worth is None else worth_map(
        key="worth-map", field=field, plan=plan, candidates=worth[0], gain=worth[1], unit=worth[2])
    picture = crew_map(key="crew-map", field=field, plan=plan, zones=zones, away=away)
    return template("crew.html.j2").render(
        field=field.name, area=numbers.acres(field.area_ac), run=run, layout=plan.layout,
        count=len(plan.points), soil_count=sum(p.soil for p in plan.points),
        density=numbers.fixed(plan.ac_per_sample, 1),
        depths=numbers.listing([f"{top:g} to {bottom:g} in" for top, bottom in plan.depths_in]),
        depth_count=len(plan.depths_in), cores=plan.cores,
        radius=numbers.fixed(plan.core_radius_ft), bags=len(plan.labels),
        seconds=[p.number for p in plan.points if p.second_bag],
        plants=[p.number for p in plan.points if p.plants], plant_words=plan.plant_words,
        start=plan.start_words,
        start_place=f"{plan.start[1]:.{_DEGREES}f}, {plan.start[0]:.{_DEGREES}f}",
        picture=Markup(picture.svg),  # noqa: S704 - svg.py built it and escaped every text
        value=Markup(value),  # noqa: S704 - svg.py built it and escaped every text
        taken=plan.taken, remark=picture.remark, rows=_rows(plan), labels=plan.labels,
        cautions=cautions, caution_evidence=evidence,
        practice=plan.practice, findings=[
            one.line() for one in plan.findings
            if one.severity is not Severity.NOTE or one.code.startswith("sampling-")
        ],
        has_zones=any(p.zone for p in plan.points),
        has_why=any(p.rank is not None for p in plan.points),
    )
