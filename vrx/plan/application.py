"""`[application]`: who will apply, as far as it is known beforehand."""

from __future__ import annotations

from vrx.plan.base import Section, Text


class ApplicationSection(Section):
    """What goes into the application record of every pass; all of it may stay blank."""

    operator: Text | None = None
    certificate_holder: Text | None = None
    licence: Text | None = None
    place: Text | None = None
    equipment: Text | None = None
