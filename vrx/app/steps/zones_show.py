"""What the map of zones shows: colours, ground, samples, and the zone that is looked at."""

from __future__ import annotations

from dataclasses import dataclass, replace

from vrx.app.form import Form
from vrx.app.session import Session
from vrx.app.step import Done

MEMORY = "zones.sure"
_SHOWN = "zones.shown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """Keys of what is chosen ("" for nothing), and the id of the zone whose card is open."""

    colour: str = ""
    ground: str = ""
    samples: str = ""
    zone: int | None = None


def shown_of(session: Session) -> Shown:
    """What is shown now; it is no part of the plan and lasts as long as the app runs."""
    found: Shown = session.kept.get(_SHOWN, Shown())
    return found


def show(session: Session, form: Form) -> Done:
    """Other colours, another ground, other samples."""
    session.kept[_SHOWN] = replace(
        shown_of(session), colour=form.text("colour", "", most=100),
        ground=form.text("ground", "", most=100), samples=form.text("samples", "", most=100))
    return Done("The map shows it.")


def look_at(session: Session, zone_id: int | None) -> None:
    """Open the card of a zone, or close it."""
    session.kept[_SHOWN] = replace(shown_of(session), zone=zone_id)
