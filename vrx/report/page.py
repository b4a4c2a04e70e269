"""The page of a run: one HTML file that needs nothing else, for screen, phone and paper."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup, escape

from vrx.model import ExportedFile, Job
from vrx.report import (
    care,
    guides,
    in_short,
    irrigation,
    knowledge,
    layers,
    machine,
    maps,
    mix,
    money,
    need_beside,
    numbers,
    passes,
    reasons,
    response,
    season_bars,
    sheets,
    soils,
    words,
    zone_values,
)
from vrx.report.svg import printable

if TYPE_CHECKING:
    from jinja2 import Template

_TEMPLATES = Path(__file__).with_name("templates")
_GRADE = re.compile(r"\d+(?:-\d+){2,}[A-Za-z]*(?:-\d+[A-Za-z]+)*")


def _printable(value: object) -> object:
    """Texts without the control characters that no document may hold; all else as it is."""
    return value if isinstance(value, Markup) or not isinstance(value, str) else printable(value)


def whole_grades(text: str) -> Markup:
    """Escaped text in which a grade such as 0-0-25-17S never breaks over two lines."""
    safe = str(escape(printable(text)))
    kept = _GRADE.sub(lambda found: f'<span class="grade">{found[0]}</span>', safe)
    return Markup(kept)  # noqa: S704 - escaped in the line above; the pattern holds no markup


@lru_cache(maxsize=4)
def template(name: str) -> Template:
    """A template of this room: escapes every text, and prints nothing that a document may not."""
    import jinja2  # most commands print no page

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES), autoescape=True, trim_blocks=True,
        lstrip_blocks=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True,
        finalize=_printable,
    )
    environment.filters["grades"] = whole_grades
    environment.filters["said"] = words.evidence_words
    return environment.get_template(name)


def _title(job: Job) -> dict[str, object]:
    yields = job.expected_yield
    return {
        "field": job.field.name,
        "crop": job.crop,
        "season": str(job.season),
        "area": numbers.acres(job.field.area_ac),
        "zone_count": len(job.zones.zones),
        "zone_basis": job.zones.basis,
        "expected": (
            f"{numbers.fixed(yields.tons_per_ac, 1)} tons/ac at "
            f"{numbers.fixed(yields.moisture_pct)} % moisture"
        ),
        "centre": (
            f"{abs(job.field.crs_centre[1]):.2f}° {'N' if job.field.crs_centre[1] >= 0 else 'S'}, "
            f"{abs(job.field.crs_centre[0]):.2f}° {'E' if job.field.crs_centre[0] >= 0 else 'W'}"
        ),
    }


def _short(job: Job) -> dict[str, object]:
    letters = [zone.letter for zone in job.zones.zones]
    differences = [
        in_short.plain_difference(job.readings[key], letters)
        for key in ("potassium", "sulfate")
        if key in job.readings and words.moves_a_rate(key, job)
    ]
    zones = maps.zones_map(key="map-zones", field=job.field, zones=job.zones)
    return {
        "zones_map": Markup(zones.svg),  # noqa: S704 - svg.py built it and escaped every text
        "zones_remark": zones.remark,
        "order": words.order_sentence(job.prescription.order),
        "cost": words.cost_sentence(job.prescription.order, job.field.area_ac),
        "bought": in_short.bought_sentence(job),
        "flat": in_short.flat_sentences(job),
        "gets": in_short.gets_sentences(job),
        "differences": [text for text in differences if text],
        "unknowns": [*map(knowledge.sentence, job.knowledge), *in_short.unknowns(job)],
        "past": zone_values.past_words(job),
    }


def _clusters(job: Job) -> dict[str, object] | None:
    """The scores of each number of clusters, the best of each marked; None without clusters."""
    table = job.zones.clusters
    if table is None:
        return None
    best = {
        "silhouette": max(one.silhouette for one in table.scores),
        "fuzziness_index": min(one.fuzziness_index for one in table.scores),
        "entropy": min(one.entropy for one in table.scores),
    }
    rows = []
    for one in table.scores:
        marks = [mark for mark, number in (("proposed", table.proposed), ("used", table.used))
                 if number == one.number]
        cells = [
            (numbers.fixed(getattr(one, key), 3), getattr(one, key) == best[key]) for key in best
        ] + [(numbers.fixed(one.variance_reduction, 3), False)]
        rows.append((str(one.number), cells, " and ".join(marks)))
    return {
        "layers": numbers.listing(list(table.layers)), "way": table.way, "rows": rows,
        "reason": table.reason, "used": table.used, "proposed": table.proposed,
        "weak": f"{table.weak_silhouette:g}", "weak_source": table.weak_source,
    }


def _soil(job: Job) -> dict[str, object]:
    surfaces = soils.surface_views(job)
    samples = maps.samples_map(key="map-samples", field=job.field, soil=job.soil)
    return {
        "samples_map": Markup(samples.svg),  # noqa: S704 - svg.py built it and escaped every text
        "samples_remark": samples.remark,
        "file": job.soil.file,
        "lab": job.soil.lab or "not given",
        "report_number": job.soil.report_number or "not given",
        "dates": words.dates_words(job.soil.sampled_on),
        "analytes": soils.analyte_rows(job),
        "columns": [words.opening(words.analyte_name(key)) for key in job.soil.columns],
        "samples": soils.sample_rows(job),
        "surfaces": [s for s in surfaces if words.steers(s.key)],
        "others": [s for s in surfaces if not words.steers(s.key)],
        "zones": soils.zone_soils(job),
        "mean_by": "; ".join(dict.fromkeys(
            zone_values.mean_words(reading) for key, reading in job.readings.items()
            if words.steers(key))),
        "inside": zone_values.inside_views(job),
        "past": zone_values.past_views(job),
        "clusters": _clusters(job),
        "zone_basis": job.zones.basis,
        "layers": layers.layer_views(job),
        "readings": [
            (words.opening(words.analyte_name(key)), reading.extractant,
             words.depth(reading.depth_in))
            for key, reading in job.readings.items()
        ],
    }


def _to_carry(one: reasons.FindingView) -> bool:
    """Whether a finding is the applicator's: of a pass or of safety, and not of money.

    How a need was found is the agronomist's; nobody can act on it in the cab.
    """
    return not one.money and (one.weight == "safety" or one.where.startswith("pass "))


def _file_rows(files: Sequence[ExportedFile]) -> list[tuple[str, str, str, str]]:
    return [(f.path, f.format, numbers.size(f.bytes), f.sha256) for f in files]


def _without_map(
    job: Job, rates: Mapping[str, tuple[float, float]]
) -> dict[int, tuple[str, str]]:
    """Rates outside the field and for a lost position, as printed, by the pass's number."""
    return {
        one.number: tuple(  # type: ignore[misc]
            numbers.fixed(rate, 0 if rate == 0 else 2)
            for rate in rates.get(one.pass_id, (0.0, 0.0)))
        for one in job.prescription.passes}


def page_views(
    job: Job,
    *,
    run: str,
    cautions: Sequence[str],
    files: Sequence[ExportedFile] = (),
    inputs: Sequence[tuple[str, str]] = (),
    notes: Sequence[str] = (),
    pass_notes: Mapping[str, Sequence[str]] | None = None,
    pass_cautions: Mapping[str, Sequence[str]] | None = None,
    without_map: Mapping[str, tuple[float, float]] | None = None,
) -> dict[str, object]:
    """Everything that a page of this job prints, as texts and drawings by name.

    All layouts read these same texts, so that no number is rounded in two places. `cautions` are
    printed with the applicator's sheets, `pass_cautions` (by pass id) each with the sheet of its
    pass, where they take the place of the former. `files` are listed with their hashes, `inputs`
    are what the run was made from, name and SHA-256 each. `notes` are printed at the end of the
    sources, `pass_notes` (by pass id) with their pass, for example loads or pump settings.
    `without_map` (by pass id, 0 where left out) are the rates for a machine outside the field and
    for one without a position, in the product's unit.
    """
    shown, folded = reasons.finding_views(job)
    first = [one for one in shown if one.severity == "stop" or one.weight in ("safety", "pounds")]
    return {
        "run": run,
        "title": _title(job),
        "short": _short(job),
        "passes": passes.pass_views(job, pass_notes or {}),
        "sheets": sheets.sheet_views(job, pass_cautions or {}),
        "zone_rows": passes.zone_rows(job),
        "zone_area": numbers.acres(sum(job.prescription.zone_area_ac)),
        "outside": _without_map(job, without_map or {}),
        "cautions": list(cautions), "pass_cautions": bool(pass_cautions),
        "machine": machine.machine_view(job),
        "irrigation": irrigation.schedule_views(job),
        "soil": _soil(job),
        "nutrients": list(job.needs),
        "needs": reasons.need_views(job),
        "sure": need_beside.sure_views(job),
        "compared": need_beside.compare_views(job),
        "guides": guides.guide_views(job),
        "memory_nutrients": words.memory_nutrients(job),
        "memory_short": words.MEMORY_SHORT,
        "balances": reasons.balance_views(job),
        "crop": reasons.crop_view(job),
        "season_bars": season_bars.views(job),
        "responses": response.views(job),
        "order": passes.order_rows(job),
        "order_sum": passes.order_sum(job),
        **money.money_views(job),
        "mix": mix.mix_view(job),
        "findings": shown,
        "folded": folded,
        "stops": [f for f in shown if f.severity == "stop"],
        "first": first,
        "first_to_carry": [one for one in first if one.severity == "stop" or _to_carry(one)],
        "sources": [(s, words.is_from_memory(s.evidence)) for s in job.sources],
        "files": _file_rows(files), "inputs": list(inputs),
        "notes": list(notes),
        "go": care.go_views(job),
        "care": care.care_view(job),
    }


def with_files(
    views: Mapping[str, object], files: Sequence[ExportedFile]
) -> dict[str, object]:
    """The same views with another list of files: a sheet is written before the page lists it."""
    return {**views, "files": _file_rows(files)}


def page(views: Mapping[str, object]) -> str:
    """One self-contained HTML document of `page_views`: no script, no request, any paper.

    Three parts, each for its reader: grower, applicator, agronomist. Equal views give equal bytes.
    All texts of the job are escaped.
    """
    return template("page.html.j2").render(views)


def sheet(views: Mapping[str, object]) -> str:
    """The applicator's part of `page_views` as a document of its own, without the grower's money.

    What holds for `page` holds here.
    """
    return template("sheet_page.html.j2").render(views)
