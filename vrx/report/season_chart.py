"""The season on one line: cuttings above, the window and the planned day of every pass below."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

from vrx.model import Care, PassWindow
from vrx.report import svg
from vrx.report.charts import DEEP, GRID, PALE
from vrx.report.colours import INK, PAPER
from vrx.report.frame import SOFT

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_WIDTH = 984.0
_LEFT, _RIGHT = 218.0, 870.0
_TALL = 30.0
_DAY = timedelta(days=1)


def short_day(day: date) -> str:
    """ "Jun 1"."""
    return f"{MONTHS[day.month - 1]} {day.day}"


def season_chart(*, key: str, care: Care) -> str:
    """The calendar as a drawing; "" where fewer than two different days are known."""
    days = _days(care)
    if len(set(days)) < 2:
        return ""
    title = "The season: cuttings and passes"
    words = ("Cuttings: from the cut to bales off, a dot where water goes on. Passes: the window "
             "as a bar, the planned day as an upright line.")
    # The usual heading stands over a map's width; this drawing is wider.
    head = svg.label(title, 0, 14, size=13, bold=True) + svg.label(words, 0, 31, fill=SOFT)
    first, last = min(days) - timedelta(days=6), max(days) + timedelta(days=6)
    span = (last - first).days
    top = 44.0
    rows = 1 + len(care.windows) if care.cuttings else len(care.windows)
    bottom = top + _TALL * rows + 4

    def across_of(day: date) -> float:
        return _LEFT + (_RIGHT - _LEFT) * (day - first).days / span

    body = [head, *_axis(first, last, across_of=across_of, top=top, bottom=bottom)]
    if care.killing_frost is not None:
        across = across_of(care.killing_frost)
        body.append(svg.line(across, top, across, bottom, dash="5 4", width=1.4))
        body.append(svg.haloed("frost", across + 4, top + 11, size=10, anchor="start"))
    down = top
    said = []
    if care.cuttings:
        body.append(svg.label("Cuttings", 0, down + _TALL / 2 + 4, bold=True))
        for one in care.cuttings:
            start, end = across_of(one.cut), across_of(one.bales_off)
            body.append(svg.rectangle(start, down + 8, max(end - start, 2), _TALL - 16,
                                      fill=PALE, stroke=INK))
            if one.water_on is not None:
                body.append(svg.element("circle", cx=across_of(one.water_on), cy=down + _TALL / 2,
                                        r=3.2, fill=DEEP, stroke=PAPER, stroke_width=0.8))
            body.append(svg.haloed(str(one.number), start - 4, down + _TALL / 2 + 4, anchor="end",
                                   bold=True))
            said.append(f"cutting {one.number} cut {short_day(one.cut)}, bales off "
                        f"{short_day(one.bales_off)}")
        down += _TALL
    for window in care.windows:
        body += _pass(window, down, across_of=across_of)
        said.append(f"pass {window.number} {window_words(window)}")
        down += _TALL
    return svg.drawing(key=key, width=_WIDTH, height=bottom + 22, title=title,
                       description="; ".join(said) + ".", body=body)


def _days(care: Care) -> list[date]:
    days: list[date | None] = [care.killing_frost]
    for one in care.cuttings:
        days += [one.cut, one.bales_off, one.water_on]
    for window in care.windows:
        days += [window.opens, window.closes, window.on]
    return [day for day in days if day is not None]


def _axis(
    first: date, last: date, *, across_of: Callable[[date], float], top: float, bottom: float
) -> list[str]:
    body = []
    month = date(first.year, first.month, 1)
    while month <= last:
        following = date(month.year + month.month // 12, month.month % 12 + 1, 1)
        if month >= first:
            across = across_of(month)
            body.append(svg.line(across, top, across, bottom, stroke=GRID))
        left, right = across_of(max(month, first)), across_of(min(following, last))
        if right - left > 24:
            name = MONTHS[month.month - 1]
            shown = f"{name} {month.year}" if month.month == 1 or month <= first else name
            wide = svg.text_width(shown, 11) < right - left
            body.append(svg.label(shown if wide else name, left + 3, bottom + 15))
        month = following
    return [*body, svg.line(_LEFT, bottom, _RIGHT, bottom, stroke=SOFT)]


def _pass(window: PassWindow, down: float, *, across_of: Callable[[date], float]) -> list[str]:
    middle = down + _TALL / 2
    lines = svg.wrap(f"{window.number}: {window.timing}", _LEFT - 16, 11)[:2]
    body = [svg.label(text, 0, middle + 4 + 13 * (n - (len(lines) - 1) / 2))
            for n, text in enumerate(lines)]
    end = _LEFT
    if window.opens is not None or window.closes is not None:
        start = _LEFT if window.opens is None else across_of(window.opens)
        # The last day counts whole.
        stop = _RIGHT if window.closes is None else across_of(window.closes + _DAY)
        if window.closed:
            body.append(svg.line(stop, middle, start, middle, dash="2 3", width=1.6))
        elif window.opens is None or window.closes is None:
            body.append(svg.line(start, middle, stop, middle, dash="7 4", width=2.4, stroke=DEEP))
        else:
            body.append(svg.rectangle(start, down + 9, max(stop - start, 4), _TALL - 18,
                                      fill=DEEP, stroke=DEEP))
        end = max(start, stop)
    if window.on is not None:
        across = (across_of(window.on) + across_of(window.on + _DAY)) / 2
        body.append(svg.line(across, down + 3, across, down + _TALL - 3, width=4.6, stroke=PAPER))
        body.append(svg.line(across, down + 3, across, down + _TALL - 3, width=2.2))
        end = max(end, across)
    words = window_words(window)
    wide = svg.text_width(words, 11)
    if end + 8 + wide < _WIDTH:
        body.append(svg.haloed(words, end + 8, middle + 4, anchor="start"))
    else:
        start = min(end, *(across_of(day) for day in (window.opens, window.on) if day is not None))
        body.append(svg.haloed(words, max(start - 8, _LEFT + wide), middle + 4, anchor="end"))
    return body


def window_words(window: PassWindow) -> str:
    """ "Jun 1 fits", "no window", "Jun 9 does not fit"; what is left open says so."""
    if window.closed:
        return "no window"
    if window.opens is None and window.closes is None:
        return "window not known"
    if window.on is None:
        return "no day planned"
    return f"{short_day(window.on)} {'fits' if window.fits else 'does not fit'}"
