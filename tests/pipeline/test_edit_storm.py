"""Any sequence of edits by hand, undone and done again, written to disk and read back.

Outside checks: GEOS' own coverage test, planar area of the boundary, geodesic acres by pyproj with
a projection of its own, totals by plain multiplication.
"""

from __future__ import annotations

import math
import runpy
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from vrx import geo
from vrx.errors import PlanError, VrxError
from vrx.model import Zones
from vrx.pipeline import edits

made = runpy.run_path(str(Path(__file__).with_name("edit_builders.py")))
share = st.floats(0, 1, allow_nan=False)
angle = st.floats(0, math.pi, allow_nan=False)


class EditStorm(RuleBasedStateMachine):
    """Edits as the app and the command line make them, one after the other."""

    @initialize()
    def start(self) -> None:
        self.home = tempfile.TemporaryDirectory()
        self.folder = Path(self.home.name)
        self.field, self.base = made["nine"]()
        self.log = edits.read_edits(self.folder)
        self.ids: dict[int, bytes] = {}
        self.seen: set[str] = set()

    def teardown(self) -> None:
        if hasattr(self, "home"):
            self.home.cleanup()

    @property
    def zones(self) -> Zones:
        return edits.apply_zones(self.base, self.log, self.field)

    @property
    def state(self) -> str:
        return edits.state(self.log, self.base)

    def edit(self, make: Any, **given: Any) -> None:
        """An edit, or a refusal that leaves file and state as they were."""
        before = self.log.file.read_bytes() if self.log.file.exists() else b""
        state, ids = self.state, {zone.zone_id for zone in self.zones.zones}
        try:
            self.log = make(self.folder, base=self.base, field=self.field, on=state, **given)
        except VrxError:
            now = self.log.file.read_bytes() if self.log.file.exists() else b""
            assert now == before
            return
        fresh = {zone.zone_id for zone in self.zones.zones} - ids
        assert not fresh & set(self.ids), "an id was given twice"
        self.ids |= dict.fromkeys((*ids, *fresh), b"")

    def some(self, at: float) -> Any:
        held = self.zones.zones
        return held[min(int(at * len(held)), len(held) - 1)]

    def through(self, at: float, turn: float, reach: float = 400.0) -> list[tuple[float, float]]:
        place = self.some(at).polygon.representative_point()
        east, north = reach * math.cos(turn), reach * math.sin(turn)
        return [(place.x - east, place.y - north), (place.x + 3.3, place.y - 2.1),
                (place.x + east, place.y + north)]

    @rule(at=share, turn=angle)
    def split(self, at: float, turn: float) -> None:
        if len(self.zones.zones) < 25:
            self.edit(edits.split, zone_id=self.some(at).zone_id, line=self.through(at, turn))

    @rule(at=share, to=share)
    def merge(self, at: float, to: float) -> None:
        self.edit(edits.merge, zone_ids=[self.some(at).zone_id, self.some(to).zone_id])

    @rule(at=share, corner=share, east=st.floats(-15, 15), north=st.floats(-15, 15))
    def move_corner(self, at: float, corner: float, east: float, north: float) -> None:
        points = shapely.get_coordinates(self.some(at).polygon)
        old = points[min(int(corner * len(points)), len(points) - 1)]
        self.edit(edits.move_corner, corner=(old[0], old[1]), to=(old[0] + east, old[1] + north))

    @rule(at=share, pick=share, turn=angle)
    def redraw(self, at: float, pick: float, turn: float) -> None:
        held = self.zones.zones
        pairs, _ = geo.shared_edges([zone.polygon for zone in held])
        if len(pairs):
            one, two = pairs[min(int(pick * len(pairs)), len(pairs) - 1)]
            self.edit(edits.redraw, between=(held[one].zone_id, held[two].zone_id),
                      line=self.through(one / len(held), turn))

    @rule(at=share, name=st.sampled_from(["spring", "late"]), steps=st.integers(0, 130),
          reason=st.sampled_from(["known poor stand", "trial strip", "other"]))
    def rate(self, at: float, name: str, steps: int, reason: str) -> None:
        self.edit(edits.set_rate, asked=made["asked"](self.zones), zone_id=self.some(at).zone_id,
                  pass_id=name, rate=steps * made["STEPS"][name], reason=reason, words="x")

    @rule(pick=share)
    def clear(self, pick: float) -> None:
        held = list(edits.effective_rates(self.log))
        if held:
            zone_id, name = held[min(int(pick * len(held)), len(held) - 1)]
            self.log = edits.clear_rate(self.folder, base=self.base, zone_id=zone_id,
                                        pass_id=name, on=self.state)

    @precondition(lambda self: self.log.undo_to is not None)
    @rule(back=st.booleans())
    def undo(self, back: bool) -> None:
        state = self.state
        shapes = [shapely.to_wkb(zone.polygon) for zone in self.zones.zones]
        self.log = edits.undo(self.folder, base=self.base, on=state)
        assert self.state != state
        if back:
            self.log = edits.redo(self.folder, base=self.base, on=self.state)
            assert self.state == state
            assert [shapely.to_wkb(zone.polygon) for zone in self.zones.zones] == shapes

    @precondition(lambda self: self.log.redo_to is not None)
    @rule()
    def redo(self) -> None:
        self.log = edits.redo(self.folder, base=self.base, on=self.state)

    @precondition(lambda self: bool(self.log.records))
    @rule()
    def another_window(self) -> None:
        old = self.log.records[0].on
        if old != self.state:
            with pytest.raises(PlanError, match="meanwhile"):
                edits.split(self.folder, base=self.base, field=self.field, zone_id=1,
                            line=[(0, 0), (1, 1)], on=old)

    @invariant()
    def zones_cover_the_field(self) -> None:
        if not hasattr(self, "log"):
            return
        again = edits.read_edits(self.folder)
        assert (again.cursor, again.tip, again.raw) == (
            self.log.cursor, self.log.tip, self.log.raw)
        assert [one.seq for one in again.records] == list(range(1, len(again.records) + 1))
        held = edits.apply_zones(self.base, again, self.field)
        polygons = np.array([zone.polygon for zone in held.zones], dtype=object)
        assert shapely.is_valid(polygons).all()
        # GEOS 3.14.1 takes a hole that touches its shell on the boundary for a fault.
        assert (shapely.coverage_is_valid(polygons)
                or geo.edges_match(list(polygons), self.field.boundary))
        assert abs(shapely.area(polygons).sum() / self.field.boundary.area - 1) < 1e-9
        assert len({zone.letter for zone in held.zones}) == len(held.zones)

    @invariant()
    def totals_are_rates_times_acres(self) -> None:
        if not hasattr(self, "log"):
            return
        held = self.zones
        stale = {(one.zone_id, one.pass_id) for one in edits.stale_overrides(self.log, held)}
        rates = [one for key, one in edits.effective_rates(self.log).items() if key not in stale]
        if stale:
            with pytest.raises(VrxError, match="by hand"):
                edits.overrides(self.log, held)
        else:
            assert list(edits.overrides(self.log, held)) == rates
        acres = [made["geodesic_ac"](zone.polygon) for zone in held.zones]
        assert [zone.area_ac for zone in held.zones] == pytest.approx(acres, rel=1e-6)
        done = made["asked"](held).by_hand(rates).prescription
        by_hand = {(one.zone_id, one.pass_id): one.rate for one in rates}
        for one in done.passes:
            # Nearest step, half up, of 150 lb/ac and 0.1 lb a metre to the east.
            rule = [math.floor((150 + 0.1 * zone.polygon.centroid.x) / one.step + 0.5) * one.step
                    for zone in held.zones]
            set_ = [by_hand.get((zone.zone_id, one.pass_id), rate)
                    for zone, rate in zip(held.zones, rule, strict=True)]
            assert list(one.rates) == pytest.approx(set_, abs=1e-9)
            assert one.prescription_total == pytest.approx(
                sum(r * a for r, a in zip(set_, acres, strict=True)), rel=1e-6)


EditStorm.TestCase.settings = settings(
    max_examples=25, stateful_step_count=20, deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
TestEditStorm = EditStorm.TestCase
