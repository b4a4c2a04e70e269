"""The law of the workbench: after any changes its values are those of a fresh run of the folder.

The other side of each comparison is `read_inputs`, `compute` and `run_field` themselves, which keep
nothing; that what is kept is nevertheless seldom made anew is asked in test_workbench.py.
"""

from __future__ import annotations

import runpy
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vrx.errors import VrxError
from vrx.model import Job
from vrx.pipeline import compute, read_inputs
from vrx.pipeline.workbench import Workbench
from vrx.plan import answer_plan, load_plan

differences = runpy.run_path(str(Path(__file__).with_name("same.py")))["differences"]
SAMPLE_GEO = Path(__file__).resolve().parents[2] / "sample_geo"

KETTLE = {
    "yield_goal.tons_per_ac": ["6", "7.5"], "yield_goal.moisture_pct": ["10", "14"],
    "water.net_in": ["0", "12"], "tissue.sulfur_pct": ["0.2", "0.35"],
    'prices."muriate of potash 0-0-60".usd': ["400", "611.5"],
    "zones.smallest_ac": ["1", "6"], "zones.narrowest_ft": ["60", "200"],
    "zones.breaks.potassium": ["[90, 130]", "[80, 100, 120, 170]"],
    "zones.breaks": [],
    "zones.nutrients": ['["potassium"]', '["potassium", "cec"]'],
    "zones.from": ['"whole field"', '"soil classes"', '"rate classes"'],
    "surface.cell_m": ["25", "40"], "surface.method": ['"field mean"', '"nearest sample"'],
    "soil.only_inside": ["true", "false"], "soil.merge_within_m": ["0", "5"],
    "soil.potassium.depth_in": ["[0, 6]", "[0, 8]"],
    "field.stand_year": ["1", "4"], "field.name": ['"Kettle"'], "field.billed_ac": ["120"],
    "field.season": ["2026", "2027"],
    "need.apply_to": ['"cells"', '"zone mean"'], "need.bounds_level": ["0.5"],
    "need.sulfur.book": ['"flat-sulfur"', '"sulfur-balance"'],
    "credits.sulfur.water": ["false", "true"], "credits.sulfur.carry_over_lb_per_ac": ["8"],
    "credits.sulfur.carry_over_source": ['"told"'],
    "limits.s_lb_per_ac": ["20", "50"], "limits.k2o_lb_per_ac": ["150"],
    "machine.after-first.step_lb_per_ac": ["5", "20"], "machine.after-first.swath_ft": ["80"],
    "pass[2].rate_gal_per_ac": ["4.0", "6.5"], "pass[1].share_of_need": ["0.4"],
    "irrigation.inject.stubble-2.speed_pct": ["50", "80"], "irrigation.flow_gpm": ["700"],
    "charges.hay_usd_per_ton": ["150"], "order.overage_pct": ["3"],
    "calendar.killing_frost": ["2027-09-30"], "conditions.slope_pct": ["4"],
    "compare.books": ['["flat-sulfur"]', '["tri-state-1995", "removal-potassium"]'],
    "export.formats": ['["geojson"]', '["iso11783", "geojson"]'],
    "controller.most_zones": ["4"], "balance.seasons": ["3"],
}
FORTY = {
    "layer[1].fill_within_m": ["5", "20"], "layer[1].unit": ['"dS/m"'],
    "yield_goal.layers": ['["conductivity"]'], "surface.drift": ['["conductivity"]', "[]"],
    "surface.cell_m": ["15", "30"], "surface.method": ['"kriging with drift"', '"field mean"'],
    "zones.smallest_ac": ["1", "4"], "yield_goal.tons_per_ac": ["5"],
    "tissue.sulfur_pct": ["0.2"], "need.apply_to": ['"cells"'],
    "field.last_stand_year": ["4", "6"], "water.net_in": ["3"],
}


@contextmanager
def _folder(name: str, *first: tuple[str, str]) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(shutil.copytree(SAMPLE_GEO / name, Path(scratch) / "field"))
        answer_plan(folder / "plan.toml", first)
        yield folder


def _fresh(folder: Path) -> Job | str:
    try:
        plan = load_plan(folder / "plan.toml")
        return compute(plan, read_inputs(plan, plan_file=folder / "plan.toml"))
    except VrxError as err:
        return f"{err.code}: {err}"


def _tried(make: Any) -> Any:
    try:
        return make()
    except VrxError as err:
        return f"{err.code}: {err}"


def _holds(bench: Workbench) -> None:
    bench.look()
    job, fresh = _tried(bench.job), _fresh(bench.folder)
    assert not list(differences(job, fresh))
    if isinstance(fresh, Job):
        live = bench.live()
        assert live.trouble is None
        assert not list(differences(
            bench.guides("S"), Workbench(bench.folder).guides("S")))
        assert not list(differences(live.prescription, fresh.prescription))
        for nutrient, needs in fresh.needs.items():
            assert not list(differences(live.needs[nutrient], needs))
        for analyte, reading in fresh.readings.items():
            for key in ("mean", "low", "high"):
                assert not list(differences(
                    getattr(live.readings[analyte], key), getattr(reading, key)))


def _steps(keys: dict[str, list[str]]) -> st.SearchStrategy[list[tuple[str, ...]]]:
    one = st.one_of(
        st.sampled_from([("answer", key, text) for key, texts in keys.items() for text in texts]),
        st.sampled_from([("drop", key) for key in keys]),
        st.sampled_from([("split",), ("merge",), ("undo",), ("redo",), ("rate",), ("clear",),
                         ("aside",), ("live",), ("job",), ("zones",), ("touch",), ("reopen",),
                         ("sample",)]))
    return st.lists(one, min_size=2, max_size=7)


def _edit(bench: Workbench, what: str) -> None:
    live = bench.live()
    zone = max(live.zones.zones, key=lambda one: one.area_ac)
    on = bench.state
    if what == "split":
        west, south, east, north = zone.polygon.bounds
        bench.edit("split", on=on, zone_id=zone.zone_id, line=[
            (west - 1, south - 1), (east + 1, north + 1)])
    elif what == "merge":
        bench.edit("merge", on=on, zone_ids=[one.zone_id for one in live.zones.zones[:2]],
                   apart=True)
    elif what == "rate":
        bench.edit("set_rate", on=on, zone_id=zone.zone_id, pass_id="after-first", rate=100.0,
                   reason="trial strip")
    elif what == "clear":
        bench.edit("clear_rate", on=on, zone_id=zone.zone_id, pass_id="after-first")
    else:
        bench.edit(what, on=on)


def _do(bench: Workbench, step: tuple[str, ...]) -> Workbench:
    what = step[0]
    if what == "answer":
        bench.answer([(step[1], step[2])], on=bench.state)
    elif what == "drop":
        bench.answer([], drop=[step[1]], on=bench.state)
    elif what == "aside":
        bench.set_edits_aside(on=bench.state)
    elif what in ("live", "job", "zones"):
        getattr(bench, what)()
    elif what == "touch":
        (bench.folder / "soil.csv").touch()
    elif what == "sample":
        file = bench.folder / "soil.csv"
        head, first, *rest = file.read_text(encoding="utf-8").splitlines()
        file.write_text("\n".join([head, *rest, first]) + "\n", encoding="utf-8")
    elif what == "reopen":
        return Workbench(bench.folder)
    else:
        _edit(bench, what)
    return bench


def _law(folder: Path, steps: list[tuple[str, ...]]) -> None:
    bench = Workbench(folder)
    for step in steps:
        bench.look()
        try:
            bench = _do(bench, step)
        except VrxError:
            continue  # refused, or this plan cannot be run: so be it for the fresh one, too
    _holds(bench)


SLOW = settings(max_examples=25, deadline=None,
                suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@SLOW
@given(steps=_steps(KETTLE))
def test_after_any_changes_of_the_pivot_the_job_is_that_of_a_fresh_run(
    steps: list[tuple[str, ...]],
) -> None:
    with _folder("kettle", ("surface.cell_m", "30"), ("surface.method", '"inverse distance"'),
                 ) as folder:
        _law(folder, steps)


@SLOW
@given(steps=_steps(FORTY))
def test_after_any_changes_of_a_field_with_a_layer_the_job_is_that_of_a_fresh_run(
    steps: list[tuple[str, ...]],
) -> None:
    with _folder("bench", ("surface.cell_m", "20"), ("surface.method", '"inverse distance"'),
                 ) as folder:
        _law(folder, steps)
