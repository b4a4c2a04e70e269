"""Sure, not sure, sample here: how well a soil test is known, made ready for print."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from vrx.model import NOT_SURE, SAMPLE_HERE, SURE, Field, Job, Knowledge
from vrx.report import frame as frames
from vrx.report import maps, numbers, svg, words
from vrx.report.colours import error_ramp
from vrx.report.frame import WIDTH

WORD = {SURE: "sure", NOT_SURE: "not sure", SAMPLE_HERE: "sample here"}


@dataclass(frozen=True, slots=True, kw_only=True)
class KnowledgeView:
    """The map of words, what they mean, and rows: a zone and its chance below each limit."""

    picture: Markup
    meaning: str
    limits: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def _limit(value: float) -> str:
    return f"{value:g}"


def chance(probability: float) -> str:
    """A probability as people read it: never 0 or 100 %, which nobody knows."""
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else numbers.share(probability)


def words_map(*, key: str, field: Field, known: Knowledge, name: str) -> str:
    """The three words over the field, dark = less sure; `name` is the substance."""
    title = f"How sure the class of {name} is"
    limits = numbers.listing([_limit(one) for one in known.critical])
    word = "limits" if len(known.critical) > 1 else "limit"
    head, top = frames.heading(title, f"Against the {word} {limits} {known.unit} of the guide.")
    frame = frames.frame_for(field.boundary, top=top)
    colours = error_ramp(3)
    foot, after = frames.furniture(frame)
    shown = [SURE, NOT_SURE, *([SAMPLE_HERE] if known.third_word else [])]
    rows = [
        (colours[one], f"{WORD[one]}: {numbers.fixed(known.acres[one], 1)} ac") for one in shown
    ]
    legend, bottom = frames.swatch_legend(rows, top=after)
    body = [
        head,
        maps.raster(key=key, frame=frame, field=field, grid=known.grid, classes=known.word,
                    colours=colours),
        maps.outline(frame, field, fill="none"), foot, legend,
    ]
    return svg.drawing(
        key=key, width=WIDTH, height=bottom, title=title, body=body,
        description="; ".join(text for _, text in rows) + ". Darker means less sure.",
    )


def _meaning(known: Knowledge) -> str:
    said = (
        f"Sure: the chance that the place is in the class it is mapped in is "
        f"{numbers.share(known.sure_from)} or more. Not sure: it is less."
    )
    if known.third_word:
        return said + (
            " Sample here: not sure, and one sample would take away half or more of the doubt."
        )
    return said + " Without a variogram nothing tells where a sample would help."


def sentence(known: Knowledge) -> str:
    """Acres that are surely in their class, and where a sample would help."""
    sure, not_sure, here = known.acres
    text = (
        f"{words.opening(words.substance(known.analyte))}: {numbers.fixed(sure, 1)} of "
        f"{numbers.fixed(sure + not_sure + here, 1)} ac are surely in the class that they are "
        "mapped in."
    )
    if here > 0:
        text += f" On {numbers.fixed(here, 1)} ac of the rest a sample would help."
    return text


def view(job: Job, analyte: str) -> KnowledgeView | None:
    """What is known of an analyte; None where nothing was judged."""
    known = next((one for one in job.knowledge if one.analyte == analyte), None)
    if known is None:
        return None
    substance = words.substance(analyte)
    picture = words_map(
        key=f"known-{analyte}", field=job.field, known=known, name=substance)
    sure, not_sure, here = (numbers.fixed(one, 1) for one in known.acres)
    acres = f"{sure} ac sure, {not_sure} ac not sure"
    if known.third_word:
        acres += f", {here} ac where a sample would help"
    rows = tuple(
        (zone.letter, *(chance(float(p)) for p in known.zone_below[:, k]))
        for k, zone in enumerate(job.zones.zones)
    )
    return KnowledgeView(
        picture=Markup(picture),  # noqa: S704 - svg.py built it and escaped every text
        meaning=f"{acres}. {_meaning(known)} {words.opening(known.basis)}.",
        limits=tuple(f"below {_limit(one)} {known.unit}" for one in known.critical), rows=rows,
    )
