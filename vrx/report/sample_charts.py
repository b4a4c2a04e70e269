"""Pictures of the samples of one analyte: how they spread, and how well the map foretells them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.model import FloatArray, Job, Surface
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.axes import Axes, rows_of, ticks
from vrx.report.charts import DEEP, PALE
from vrx.report.colours import INK, PAPER, nice_classes
from vrx.report.frame import MARGIN, WIDTH

MOST_DOTS = 300
_BARS = 12


def class_limits(job: Job, analyte: str) -> tuple[float, ...]:
    """Limits of the guide for an analyte, else those by which zones are judged; rising."""
    known = next((one for one in job.knowledge if one.analyte == analyte), None)
    if known is not None:
        return known.critical
    reading = job.readings.get(analyte)
    return () if reading is None else tuple(reading.class_breaks)


def histogram(
    *, key: str, name: str, unit: str, values: FloatArray, limits: Sequence[float], beyond: int
) -> str:
    """Samples (n,) by reading, in bars of equal width, with limits of classes as upright lines.

    `beyond` is how many results are known only as below or above a limit; they are not drawn.
    """
    title = f"Samples by reading: {name}"
    told = f"Bars: number of samples, {len(values)} in all."
    if beyond:
        told += f" Not drawn: {beyond} known only as beyond the laboratory’s limit."
    if limits:
        told += " Dashed: limits of classes."
    head, top = frames.heading(title, told)
    low, high = (float(v) for v in (values.min(), values.max()))
    if low == high:
        edges, decimals = ticks(low, high)
    else:
        classes = nice_classes(values, most=_BARS)
        edges, decimals = list(classes.edges), classes.decimals
    counts, _ = np.histogram(values, bins=np.asarray(edges))
    shown = [limit for limit in limits if edges[0] <= limit <= edges[-1]]
    across = ticks(edges[0], edges[-1], most=7)
    rows = rows_of([(_share(limit, across[0]), numbers.fixed(limit, _places(limit)))
                    for limit in shown], size=11)
    axes = Axes(left=44, right=WIDTH - 20, top=top + 18 + 13 * max(rows, default=0),
                bottom=top + 190, across=across, down=_whole(int(counts.max())))
    body = [head, *axes.drawn()]
    for count, left, right in zip(counts.tolist(), edges, edges[1:], strict=False):
        if count:
            start, end, high_up = axes.across_of(left), axes.across_of(right), axes.down_of(count)
            body.append(svg.rectangle(start, high_up, end - start, axes.bottom - high_up,
                                      fill=PALE, stroke=DEEP))
    body.append(svg.line(axes.left, axes.bottom, axes.right, axes.bottom))
    for limit, row in zip(shown, rows, strict=True):
        at = axes.across_of(limit)
        body.append(svg.line(at, axes.top - 4, at, axes.bottom, stroke=PAPER, width=3.2))
        body.append(svg.line(at, axes.top - 4, at, axes.bottom, width=1.6, dash="5 3"))
        body.append(svg.haloed(numbers.fixed(limit, _places(limit)), at, axes.top - 8 - 13 * row,
                               bold=True))
    body.append(svg.label(unit or "as printed", axes.right, axes.bottom + 31, anchor="end"))
    most = int(counts.argmax())
    ends = [numbers.fixed(v, decimals) for v in (low, high, edges[most], edges[most + 1])]
    said = (f"{len(values)} samples from {ends[0]} to {ends[1]} {unit}; most, {int(counts[most])}, "
            f"lie between {ends[2]} and {ends[3]}")
    under = [f"{int((values < limit).sum())} below {numbers.fixed(limit, _places(limit))}"
             for limit in limits]
    return svg.drawing(
        key=key, width=WIDTH, height=axes.bottom + 40, title=title, body=body,
        description="; ".join([said, *under]).strip() + ".")


def _whole(most: int) -> tuple[list[float], int]:
    """Ticks of a count: whole numbers only."""
    step = next(step for power in (1, 10, 100, 1_000, 10_000, 100_000)
                for step in (1 * power, 2 * power, 5 * power) if most <= 5 * step)
    return [float(step * k) for k in range(-(-most // step) + 1)], 0


def _places(limit: float) -> int:
    return 0 if limit == round(limit) else 2 if round(limit, 1) != limit else 1


def _share(value: float, edges: Sequence[float]) -> float:
    """About where a value will lie, for telling texts apart before the axes stand."""
    return 44 + (WIDTH - 64) * (value - edges[0]) / ((edges[-1] - edges[0]) or 1.0)


def left_out_chart(*, key: str, surface: Surface, name: str) -> str:
    """Measured against predicted, each sample from the others, with the line on which both agree.

    Of more than `MOST_DOTS` samples every so many by their reading is drawn; the scores are of all.
    `left_out` must hold samples.
    """
    pairs = surface.left_out
    if pairs is None or not len(pairs):
        raise ValueError("nothing was left out")  # pragma: no cover - callers look first
    title = f"Left out and foretold: {name}"
    told = (f"Across: measured, {surface.unit}. Upright: what the map says there without that "
            "sample. On the line the two agree.")
    head, top = frames.heading(title, told)
    both = ticks(float(pairs.min()), float(pairs.max()), most=6)
    wide = 260.0
    left = 62.0 + (WIDTH - 82 - wide) / 2
    axes = Axes(left=left, right=left + wide, top=top + 8, bottom=top + 8 + wide, across=both,
                down=both)
    body = [head, *axes.drawn()]
    body.append(svg.rectangle(axes.left, axes.top, wide, wide, fill="none", stroke=INK))
    body.append(svg.line(*axes.at(both[0][0], both[0][0]), *axes.at(both[0][-1], both[0][-1]),
                         width=1.4, dash="6 3"))
    drawn = _thinned(pairs)
    dots = [svg.element("circle", cx=a, cy=d, r=3.4 if len(drawn) <= 80 else 2.4)
            for a, d in (axes.at(float(m), float(p)) for m, p in drawn)]
    body.append(svg.element("g", *dots, fill=DEEP, stroke=PAPER, stroke_width=0.7))
    body.append(svg.haloed("as measured", axes.right - 6, axes.top + 14, anchor="end", size=11))
    said = _scores_said(surface, len(pairs), len(drawn))
    more, down = svg.paragraph(said, MARGIN + 4, axes.bottom + 38, width=WIDTH - 30, size=11)
    return svg.drawing(key=key, width=WIDTH, height=down - 4, title=title, body=[*body, more],
                       description=f"{said} On the line the two agree.")


def _thinned(pairs: FloatArray) -> FloatArray:
    if len(pairs) <= MOST_DOTS:
        return pairs
    order = np.argsort(pairs[:, 0], kind="stable")
    return pairs[order[np.linspace(0, len(pairs) - 1, MOST_DOTS).astype(np.int64)]]


def _scores_said(surface: Surface, count: int, drawn: int) -> str:
    own = next((one for one in surface.scores if one.method == surface.method), None)
    dots = f"{count} samples" if drawn == count else f"{drawn} of {count} samples"
    if own is None:
        return f"{dots}."
    text = (f"{dots}, {own.method}: root mean square miss "
            f"{numbers.spread(own.rmse, surface.analyte)} {surface.unit}, mean miss "
            f"{_mean_miss(own.mean_error, own.rmse)}, skill {numbers.signed(own.skill, 2)}")
    if own.n > count:
        text += f" (scores of {own.n}, those beyond the laboratory’s limit by their bound)"
    return f"{text}."


def _mean_miss(value: float, rmse: float) -> str:
    """With the digits that show against the root mean square."""
    for decimals in range(4):
        if 10.0**-decimals <= 0.1 * rmse:
            return numbers.signed(value, decimals)
    return numbers.signed(value, 4)
