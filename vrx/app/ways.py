"""Ways out of a stop that edits by hand and the plan make together: forms of the trouble region."""

from __future__ import annotations

from vrx.app.session import Session
from vrx.errors import VrxError
from vrx.pipeline.edit_fold import stale_overrides


def ways_out(session: Session, code: str) -> list[dict[str, object]]:
    """What can be done here and now: words, where a form goes, and its fields; none for most."""
    if code not in {"edits-stale", "edits-rate-stale"} or session.busy:
        return []
    ways = _rates(session) if code == "edits-rate-stale" else _aside(session)
    last = session.bench.plan_undo_words
    if last:
        ways.append({"words": f"Take the last change of the plan back: {last}",
                     "action": "/needs/undo-plan", "fields": {}})
    return ways


def _rates(session: Session) -> list[dict[str, object]]:
    bench = session.bench
    if bench.edits is None:
        return []
    try:
        zones = bench.zones()
    except VrxError:
        return []
    letters = {zone.zone_id: f"zone {zone.letter}" for zone in zones.zones}
    return [{
        "words": f"The rule's rate for {letters.get(one.zone_id, 'a zone that is no more')}, pass "
                 f"{one.pass_id}, in place of {one.rate:g} {one.unit}",
        "action": "/zones/clear", "fields": {"zone": one.zone_id, "pass": one.pass_id},
    } for one in stale_overrides(bench.edits, zones)]


def _aside(session: Session) -> list[dict[str, object]]:
    log = session.bench.edits
    count = 0 if log is None else len(log.path())
    return [{"words": f"Set the {count} change{'s' * (count != 1)} made by hand aside, in a file "
                      "of their own", "action": "/zones/aside", "fields": {}}]
