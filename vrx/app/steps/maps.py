"""Soil-test maps: what they say between the samples, how sure they are, where samples would help.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from vrx.app import findings
from vrx.app.controls import controls
from vrx.app.drawings import touchable
from vrx.app.form import Form
from vrx.app.known import document_of, job_of
from vrx.app.saving import put, save_keys
from vrx.app.session import Session, Task
from vrx.app.step import Done, Step
from vrx.errors import InputError
from vrx.model import Job
from vrx.pipeline.worth import Worth, best_places
from vrx.report import places, soils, words

_SHOWN = "maps.shown"
_WORTH = "maps.worth"
_MOST_PLACES = 12
_KEYS = ("method", "cell_m", "drift")
_VARIOGRAM = ("model", "nugget", "partial_sill", "range_ft", "practical_range_ft", "ratio",
              "direction_deg", "error_variance")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ranked:
    """Ranked places of one state of the folder."""

    state: str
    analyte: str
    worth: Worth | None


def view(session: Session) -> dict[str, object]:
    """Everything that the templates print; what needs the job is left out where there is none."""
    job, document = job_of(session), document_of(session)
    shown: dict[str, object] = {
        "known": job is not None, "maps": [], "surface": None, "ranked": None,
        "found": findings.here(job, "maps"), "can_rank": False,
        "variogram_controls": (), "variogram_stated": False,
        "controls": controls(document, [f"surface.{key}" for key in _KEYS]),
    }
    return shown | ({} if job is None else _of_job(session, job, document))


def _of_job(session: Session, job: Job, document: Mapping[str, Any]) -> dict[str, object]:
    shown = _shown(session, tuple(job.surfaces))
    one = soils.surface_view(job, shown)
    return {
        "maps": [(key, words.opening(words.analyte_name(key)), key == shown)
                 for key in sorted(job.surfaces, key=lambda key: not words.steers(key))],
        "surface": one,
        "value_map": touchable(str(one.value_map), name="maps-value"),
        "error_map": touchable(str(one.error_map), name="maps-error"),
        "variogram_controls": controls(
            document, [f"surface.variogram.{shown}.{key}" for key in _VARIOGRAM]),
        "variogram_stated": shown in document.get("surface", {}).get("variogram", {}),
        "can_rank": words.steers(shown) and job.surfaces[shown].variogram is not None,
        "ranked": _ranked(session, shown),
    }


def _shown(session: Session, known: tuple[str, ...]) -> str:
    held = session.kept.get(_SHOWN)
    if held in known:
        return str(held)
    return next((key for key in known if words.steers(key)), known[0])


def _ranked(session: Session, shown: str) -> dict[str, Any] | None:
    """The ranking, while it is of what is shown."""
    held = session.kept.get(_WORTH)
    if not isinstance(held, _Ranked) or (held.state, held.analyte) != (session.bench.state, shown):
        return None
    if held.worth is None or not len(held.worth.places):
        return {"map": None, "words": "No place is known where one more sample would help: the "
                "map has no variogram, or no sample would move a rate.", "rows": [], "found": []}
    job, worth = session.bench.job(), held.worth
    picture = places.places_map(
        key="drawing-places", field=job.field, surface=job.surfaces[shown],
        sampled=job.soil.measured(shown)[0], places=worth.places, name=words.substance(shown),
        words=f"By what one more sample would save in {worth.unit} over the field.")
    return {
        "map": Markup(picture.svg),  # noqa: S704 - svg.py built it and escaped every text
        "words": words.opening(worth.words) + ".",
        "rows": [(str(number), places.gain_words(float(gain), worth.unit))
                 for number, gain in enumerate(worth.gain, start=1)],
        "found": findings.finding_views(worth.findings),
    }


def show(session: Session, form: Form) -> Done:
    """Show the map of another soil test."""
    wanted = form.text("analyte")
    known = session.bench.job().surfaces
    if wanted not in known:
        raise InputError(f"there is no map of {wanted!r}", code="app-map-unknown", where="analyte",
                         hint=f"choose one of {', '.join(known)}")
    session.kept[_SHOWN] = wanted
    return Done(f"Map of {words.analyte_name(wanted)}.")


def save(session: Session, form: Form) -> Done:
    """Write how the maps are drawn."""
    return save_keys(session, form, "surface")


def fit(session: Session, form: Form) -> Done:
    """Take a stated variogram out, so that the map's is fitted to the samples again."""
    analyte = form.text("analyte")
    key = f"surface.variogram.{analyte}"
    put(session, [], [key])
    return Done("The variogram is fitted to the samples again.")


def rank(session: Session, form: Form) -> Done:
    """Rank the places where the next samples would help most; a long work."""
    count = form.whole("count", 5)
    if not 1 <= count <= _MOST_PLACES:
        raise InputError(f"{count} places", code="app-places-count", where="count",
                         hint=f"ask for 1 to {_MOST_PLACES}")
    bench = session.bench
    analyte = _shown(session, tuple(bench.job().surfaces))

    def work(task: Task) -> None:
        task.progress("ranking places for the next samples")
        drawn, job, state = bench.drawn(task.progress), bench.job(task.progress), bench.state
        worth = best_places(drawn, job.readings, nutrient=analyte, count=count)
        session.kept[_WORTH] = _Ranked(state=state, analyte=analyte, worth=worth)

    session.start("ranking places for the next samples", work)
    return Done("Places are being ranked.")


STEP = Step(
    id="maps", path="/maps", title="Soil-test maps", template="maps.html.j2", stage="job",
    view=view, even_blocked=True,
    parts={"maps-choice": "maps_choice.html.j2", "maps-drawn": "maps_drawn.html.j2",
           "maps-sure": "maps_sure.html.j2", "maps-how": "maps_how.html.j2",
           "maps-next": "maps_next.html.j2", "maps-found": "found_part.html.j2"},
    actions={"show": show, "save": save, "fit": fit, "rank": rank},
)
