"""What a yield function says beside the plan, made ready for print."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from vrx.model import Job, ResponseSaid
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.charts import DEEP, GRID, PALE, nice_ticks
from vrx.report.colours import PAPER
from vrx.report.frame import WIDTH


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseView:
    """One nutrient: sentences, the curve (None without a response) and a row a zone."""

    nutrient: str
    sentences: tuple[str, ...]
    source: str
    evidence: str
    chart: Markup | None
    rows: tuple[tuple[str, ...], ...]


def response_chart(*, key: str, said: ResponseSaid) -> str:
    """The curve over the rates tried; upright lines: what pays most, and what zones get."""
    title = f"Hay at a rate of {said.nutrient}, tons/ac"
    frame_words = "Curve: the function. Upright line: the rate that pays most. Dots: zones."
    head, top = frames.heading(title, frame_words)
    rates, tons = [rate for rate, _ in said.curve], [ton for _, ton in said.curve]
    across_ticks, across_decimals = nice_ticks(rates[0], rates[-1])
    ticks, decimals = nice_ticks(min(tons), max(tons))
    left, right, top, bottom = 56.0, WIDTH - 26, top + 12, top + 232

    def across_of(rate: float) -> float:
        span = across_ticks[-1] - across_ticks[0]
        return left + (right - left) * (rate - across_ticks[0]) / span

    def down_of(ton: float) -> float:
        return bottom - (bottom - top) * (ton - ticks[0]) / ((ticks[-1] - ticks[0]) or 1.0)

    body = [head]
    for value in ticks:
        body.append(svg.line(left, down_of(value), right, down_of(value), stroke=GRID))
        body.append(svg.label(numbers.fixed(value, decimals), left - 8, down_of(value) + 4,
                              anchor="end"))
    body += [svg.label(numbers.fixed(value, across_decimals), across_of(value), bottom + 16,
                       anchor="middle") for value in across_ticks]
    body.append(svg.label(f"lb {said.nutrient}/ac", right, bottom + 32, anchor="end"))
    path = "M" + "L".join(f"{across_of(x):.1f},{down_of(y):.1f}" for x, y in said.curve)
    body.append(svg.element("path", d=path, fill="none", stroke=PALE, stroke_width=4))
    words = []
    if said.best is not None:
        best = said.best.rate_lb_per_ac
        body.append(svg.line(across_of(best), top, across_of(best), bottom, width=2.2))
        words.append(f"the rate that pays most is {best:.0f} lb/ac")
    for zone in said.zones:
        rate = min(max(zone.brought_lb_per_ac, rates[0]), rates[-1])
        body.append(svg.element("circle", cx=across_of(rate), cy=down_of(zone.tons_per_ac), r=4,
                                fill=DEEP, stroke=PAPER, stroke_width=1))
        words.append(f"zone {zone.letter} gets {zone.brought_lb_per_ac:.0f}")
    return svg.drawing(key=key, width=WIDTH, height=bottom + 42, title=title,
                       description="; ".join(words) + ".", body=body)


def _sentences(said: ResponseSaid) -> tuple[str, ...]:
    prices = (f"A lb of {said.nutrient} at ${said.usd_per_lb:.2f} ({said.price_words}), hay at "
              f"{numbers.usd(said.usd_per_ton)} a ton of {said.moisture_pct:g} % moisture.")
    if said.best is None or said.response is None:
        none = (f"No response is used: {said.why}. By this trial no {said.nutrient} pays within "
                "the year; what keeps the soil test up is the guide's question, not this one's.")
        return prices, none
    out = [prices]
    rate = numbers.fixed(said.best.rate_lb_per_ac)
    edge = f", the {said.best.edge} that was tried" if said.best.edge else ""
    out.append(f"By this function {rate} lb/ac pays most within the year{edge}, with "
               f"{numbers.fixed(said.best.gain_tons_per_ac, 2)} ton/ac more hay than the least "
               "rate tried.")
    if said.trip_usd_per_ac > 0:
        out.append(
            "Nothing tried pays for the trip." if said.least_sensible is None else
            f"With {numbers.usd(said.trip_usd_per_ac)} an acre for the trip, less than "
            f"{numbers.fixed(said.least_sensible)} lb/ac is never worth going for.")
    out.append("The plan's rates follow the guide, which also keeps the soil test up; this "
               "function looks at one year. It moves no rate.")
    return tuple(out)


def views(job: Job) -> list[ResponseView]:
    """All functions that the plan names."""
    out = []
    for said in job.responses:
        rows = tuple((
            zone.letter, numbers.nutrient(zone.brought_lb_per_ac),
            numbers.nutrient(zone.best_lb_per_ac), numbers.fixed(-zone.tons_short, 2),
            numbers.usd(zone.usd_per_ac_apart)) for zone in said.zones)
        response = said.response
        chart = None if response is None else Markup(response_chart(  # noqa: S704 - svg.py escaped
            key=f"response-{said.nutrient.lower()}", said=said))
        out.append(ResponseView(
            nutrient=said.nutrient, sentences=_sentences(said),
            source="" if response is None else f"{said.equation}. {response.source}",
            evidence="" if response is None else response.evidence, chart=chart, rows=rows))
    return out
