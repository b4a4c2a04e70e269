"""A pivot's turn from above: pump settings, tank fillings, its start and direction."""

from __future__ import annotations

import math

from vrx.model import InjectionSchedule
from vrx.report import frame as frames
from vrx.report import svg
from vrx.report.colours import INK, PAPER, rate_ramp
from vrx.report.frame import MARGIN, SOFT, WIDTH

_RADIUS = 150.0
_BAND = 13.0
_APART_DEG = 7.0
"""Least angle between two printed azimuths, below which they would overlap."""


def _point(azimuth: float, radius: float, middle: tuple[float, float]) -> tuple[float, float]:
    turn = math.radians(azimuth)
    return middle[0] + radius * math.sin(turn), middle[1] - radius * math.cos(turn)


def _sector(
    start: float, sweep: float, radii: tuple[float, float], middle: tuple[float, float],
    fill: str,
) -> str:
    """A wedge or a band as a path; a whole turn in two halves, since an arc cannot close itself."""
    if abs(sweep) >= 360.0 - 1e-6:
        half = sweep / 2.0
        return (_sector(start, half, radii, middle, fill)
                + _sector(start + half, half, radii, middle, fill))
    inner, outer = radii
    large, way = int(abs(sweep) > 180.0), int(sweep > 0)
    a, b = _point(start, outer, middle), _point(start + sweep, outer, middle)
    c, d = _point(start + sweep, inner, middle), _point(start, inner, middle)
    n = svg.number
    path = f"M{n(a[0])} {n(a[1])}A{n(outer)} {n(outer)} 0 {large} {way} {n(b[0])} {n(b[1])}"
    path += f"L{n(c[0])} {n(c[1])}"
    if inner > 0:
        path += f"A{n(inner)} {n(inner)} 0 {large} {1 - way} {n(d[0])} {n(d[1])}"
    return svg.element("path", d=path + "z", fill=fill, stroke="none")


def plan_of_turn(made: InjectionSchedule) -> str:
    """The pivot from above: legs with their settings, tank fillings, where it starts and turns."""
    title = f"Pass {made.number}: the turn from above"
    words = ("Numbers in the circle are pump settings in gal/h, darker means more; F marks a "
             "filling of the tank. Not to scale.")
    head, top = frames.heading(title, words)
    middle = (WIDTH / 2, top + _RADIUS + _BAND + 30)
    settings = sorted({round(leg.gal_per_h, 1) for leg in made.legs if leg.gallons > 0})
    shades = rate_ramp(min(len(settings), 6) + 1)[:-1] if len(settings) > 1 else rate_ramp(1)
    body = [head]
    for leg in made.legs:
        if leg.start_deg is None or leg.sweep_deg is None:
            continue
        at = settings.index(round(leg.gal_per_h, 1)) if leg.gallons > 0 else -1
        fill = PAPER if at < 0 else shades[at * (len(shades) - 1) // max(1, len(settings) - 1)]
        body.append(_sector(leg.start_deg, leg.sweep_deg, (0.0, _RADIUS), middle, fill))
        if leg.end_gun or leg.corner_arm:
            body.append(_sector(leg.start_deg, leg.sweep_deg, (_RADIUS + 2, _RADIUS + _BAND),
                                middle, SOFT))
    body.append(svg.element("circle", cx=middle[0], cy=middle[1], r=_RADIUS, fill="none",
                            stroke=INK, stroke_width=1.4))
    body += _lines_and_words(made, middle)
    body += _marks(made, middle)
    foot = middle[1] + _RADIUS + _BAND + 34
    if any(leg.end_gun or leg.corner_arm for leg in made.legs):
        body.append(svg.rectangle(MARGIN + 4, foot - 9, 14, 9, fill=SOFT))
        body.append(svg.label("end gun on, or corner arm out", MARGIN + 24, foot, size=11))
        foot += 16
    said = "; ".join(
        f"{leg.label}: " + (f"{leg.gal_per_h:.1f} gal/h" if leg.gallons > 0 else "injector off")
        for leg in made.legs)
    return svg.drawing(
        key=f"turn-{made.number}", width=WIDTH, height=foot, title=title, body=body,
        description=f"Starts at {made.legs[0].start_deg:g} degrees, {made.direction}. {said}.")


def _lines_and_words(made: InjectionSchedule, middle: tuple[float, float]) -> list[str]:
    out: list[str] = []
    alone = len(made.legs) == 1
    for leg in made.legs:
        if leg.start_deg is None or leg.sweep_deg is None:
            continue
        if not (alone and abs(leg.sweep_deg) >= 360.0 - 1e-6):
            for azimuth in (leg.start_deg, leg.start_deg + leg.sweep_deg):
                end = _point(azimuth, _RADIUS, middle)
                out.append(svg.line(*middle, *end, width=1.0))
        text = f"{leg.gal_per_h:,.1f}" if leg.gallons > 0 else "off"
        # A narrow wedge has room for its number near the rim only, a very narrow one has none.
        if abs(leg.sweep_deg) >= 9.0:
            across, down = _point(leg.start_deg + leg.sweep_deg / 2,
                                  _RADIUS * (0.62 if abs(leg.sweep_deg) >= 25 else 0.84), middle)
            out.append(svg.haloed(text, across, down + 4, size=12, bold=True))
    swept = math.fsum(leg.sweep_deg or 0.0 for leg in made.legs)
    if abs(swept) < 340.0:
        start = (made.legs[0].start_deg or 0.0) + swept
        rest = math.copysign(360.0 - abs(swept), swept)
        across, down = _point(start + rest / 2, _RADIUS * 0.6, middle)
        out.append(svg.label("no water", across, down + 4, size=11, anchor="middle", fill=SOFT))
    ends = {round(leg.start_deg % 360.0, 6) for leg in made.legs if leg.start_deg is not None}
    if not alone:
        last = -_APART_DEG
        for azimuth in sorted(ends):
            if azimuth - last < _APART_DEG:
                continue
            last = azimuth
            across, down = _point(azimuth, _RADIUS + _BAND + 14, middle)
            out.append(svg.label(f"{azimuth:.4g}°", across, down + 4, size=10.5, anchor="middle",
                                 fill=SOFT))
    return out


def _marks(made: InjectionSchedule, middle: tuple[float, float]) -> list[str]:
    first = made.legs[0]
    start, sign = first.start_deg or 0.0, 1.0 if made.direction == "clockwise" else -1.0
    out: list[str] = []
    for fill in made.fills[1:]:
        if fill.at_deg is not None:
            across, down = _point(fill.at_deg, _RADIUS - 9, middle)
            out.append(svg.element("circle", cx=across, cy=down, r=8.5, fill=PAPER, stroke=INK,
                                   stroke_width=1.2))
            out.append(svg.label(f"F{fill.number}", across, down + 3.6, size=9.5, anchor="middle",
                                 bold=True))
    arc = [_point(start + sign * part * 26.0 / 12, _RADIUS * 0.3, middle) for part in range(13)]
    out.append(svg.polyline(arc, stroke=INK, width=2.2))
    tip = _point(start + sign * 34.0, _RADIUS * 0.3, middle)
    sides = [_point(start + sign * 25.0, _RADIUS * (0.3 + off), middle) for off in (0.035, -0.035)]
    n = svg.number
    out.append(svg.element(
        "path", fill=INK, d="M" + "L".join(f"{n(a)} {n(d)}" for a, d in (tip, *sides)) + "z"))
    across, down = _point(start, _RADIUS * 0.3, middle)
    out.append(svg.element("circle", cx=across, cy=down, r=3.2, fill=INK))
    out.append(svg.line(*middle, *_point(start, _RADIUS, middle), width=2.6))
    out.append(svg.label("N", MARGIN + 12, middle[1] - _RADIUS, size=12, anchor="middle",
                         bold=True))
    out.append(svg.element(
        "path", fill=INK,
        d=f"M{n(MARGIN + 26)} {n(middle[1] - _RADIUS - 14)}l6 20l-6 -5l-6 5z"))
    return out

