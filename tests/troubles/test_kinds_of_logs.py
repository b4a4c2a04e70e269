"""Kinds behind S37 to S39: as-applied logs that stumble, grids that lie nowhere, wild integers."""

from __future__ import annotations

import random
import struct
from pathlib import Path
from typing import Any

import pytest
import trouble_builders as make

from vrx.errors import InputError
from vrx.formats.iso11783 import UNITS, known_ddis, raw_value
from vrx.intake import read_task_grids
from vrx.intake.applied_log import AppliedSpec, AppliedTotals, applied_totals
from vrx.intake.yields.spec import LogColumn, PlaceColumns
from vrx.model import Field

HEAD = ("t", "lat", "lon", "speed", "width", "pass", "applied", "master")
LANES, STEPS, STEP_M, WIDTH_M, RATE = 4, 121, 5.0, 24.0, 160.0
# Closed form: 4 passes of 600 m by 24 m side by side, 160 lb/ac.
COVERED_AC = LANES * 600 * WIDTH_M / make.ACRE_M2
PRODUCT = RATE * COVERED_AC
Row = dict[str, Any]


def driven() -> list[Row]:
    """Four passes to and fro, side by side; between them eight readings with the master off."""
    rows: list[Row] = []
    for lane in range(LANES):
        for k in range(STEPS + 8):
            on = k < STEPS
            along = min(k, STEPS - 1) * STEP_M + (0 if on else 5)
            rows.append({
                "t": len(rows), "e": 200 + WIDTH_M * lane + (0 if on else 3 * (k - STEPS)),
                "n": 100 + along if lane % 2 == 0 else 700 - along, "v": STEP_M if on else 3.0,
                "w": WIDTH_M, "p": lane + 1 if on else 0, "r": RATE if on else 0.0, "m": int(on)})
    return rows


def totals(tmp_path: Path, field: Field, rows: list[Row], *, unit: str = "lb/ac",
           passes: bool = True, times: bool = True) -> AppliedTotals:
    body = [["" if one is None else str(one) for one in
             (row["t"], *(f"{x:.8f}" for x in reversed(make.at(row["e"], row["n"]))), row["v"],
              row["w"], row["p"], row["r"], row["m"])] for row in rows]
    return applied_totals(
        path=make.table(tmp_path / "log.csv", body, head=HEAD), field=field, spec=AppliedSpec(
            applied=LogColumn(column="applied", unit=unit),
            places=PlaceColumns(longitude_column="lon", latitude_column="lat"),
            width=LogColumn(column="width", unit="m"), speed=LogColumn(column="speed", unit="m/s"),
            time=LogColumn(column="t", unit="s") if times else None, master_column="master",
            pass_column="pass" if passes else None))


def told(done: AppliedTotals) -> set[str]:
    return {one.code for one in done.findings}


@pytest.mark.parametrize("passes", [True, False])
@pytest.mark.parametrize("places", [((60, 600),), ((60, 5000),), ((60, 600), (61, 605)),
                                    ((60, 600), (200, 20)), ((30, -400), (31, -400), (32, -400))])
def test_s37_places_it_never_was_at_add_no_product(
    *, tmp_path: Path, field: Field, places: tuple[tuple[int, int], ...], passes: bool
) -> None:
    rows = driven()
    for at, east in places:
        rows[at]["e"] = east
    done = totals(tmp_path, field, rows, passes=passes)
    # Without passes of the log's own, several missing places in a row are a gap without ground.
    assert done.product == pytest.approx(PRODUCT, rel=2e-3 if passes or len(places) < 2 else 0.01)
    assert done.covered_ac == pytest.approx(COVERED_AC, rel=0.01)
    assert done.left_out["stray place"] == len(places)


@pytest.mark.parametrize("passes", [True, False])
def test_s37_a_negative_rate_is_none(*, tmp_path: Path, field: Field, passes: bool) -> None:
    rows = driven()
    for k in range(40, 60):
        rows[k]["r"] = -9999
    done = totals(tmp_path, field, rows, passes=passes)
    assert done.product == pytest.approx(PRODUCT - 20 * RATE * 5 * 24 / make.ACRE_M2, rel=2e-3)
    assert done.left_out["negative rate"] == 20


@pytest.mark.parametrize("passes", [True, False])
def test_s37_a_missing_speed_is_no_standing(
    *, tmp_path: Path, field: Field, passes: bool
) -> None:
    rows = driven()
    for k in range(40, 60):
        rows[k]["v"] = None
    done = totals(tmp_path, field, rows, passes=passes)
    assert done.product == pytest.approx(PRODUCT, rel=2e-3)
    assert done.left_out["standing"] == 0


def test_s37_rows_are_taken_in_the_order_of_time(tmp_path: Path, field: Field) -> None:
    shuffled = driven()
    random.Random(3).shuffle(shuffled)
    for rows in (shuffled, driven()[::-1]):
        done = totals(tmp_path, field, rows, passes=False)
        assert done.product == pytest.approx(PRODUCT, rel=2e-3)
        assert "yield-time-sorted" in told(done)
    for rows, given in ((shuffled, {"times": False}), (shuffled, {"times": False, "passes": False}),
                        (shuffled, {})):
        with pytest.raises(InputError, match="no order of driving") as caught:
            totals(tmp_path, field, rows, **given)
        assert caught.value.code == "applied-order"


@pytest.mark.parametrize("passes", [True, False])
def test_s37_midnight_and_a_clock_that_jumps_keep_the_total(
    *, tmp_path: Path, field: Field, passes: bool
) -> None:
    rows = driven()
    for row in rows:
        row["t"] = (row["t"] + 86_400 - 200) % 86_400
    done = totals(tmp_path, field, rows, passes=passes)
    assert done.product == pytest.approx(PRODUCT, rel=2e-3)
    back = driven()
    back[300]["t"] = 250
    assert totals(tmp_path, field, back, passes=passes).product == pytest.approx(PRODUCT, rel=0.01)


def test_s37_a_rate_far_off_and_short_passes_are_told(tmp_path: Path, field: Field) -> None:
    rows = driven()
    rows[60]["r"] = 1e6
    done = totals(tmp_path, field, rows)
    (far,) = (one for one in done.findings if one.code == "applied-rate-far")
    assert "rows 62" in far.what  # the heading is row 1
    short = [row for k, row in enumerate(driven()) if k % (STEPS + 8) < 6 or row["m"] == 0]
    (starts,) = (one for one in totals(tmp_path, field, short).findings
                 if one.code == "applied-starts")
    assert str(starts.severity) == "warn"
    (starts,) = (one for one in totals(tmp_path, field, driven()).findings
                 if one.code == "applied-starts")
    assert str(starts.severity) == "note"


# 1 kg/ha = 0.892179 lb/ac, 1 L/ha = 0.106907 gal/ac (NIST Handbook 44 constants: 0.45359237 kg,
# 3.785411784 L, 4046.8564224 m2).
@pytest.mark.parametrize(("unit", "ours", "factor"), [
    ("lb/ac", "lb", 1), ("kg/ha", "lb", 0.4046856422 / 0.45359237),
    ("t/ha", "lb", 404.6856422 / 0.45359237), ("short ton/ac", "lb", 2000), ("gal/ac", "gal", 1),
    ("L/ha", "gal", 0.4046856422 / 3.785411784),
])
def test_s37_units_of_a_log(
    tmp_path: Path, field: Field, unit: str, ours: str, factor: float
) -> None:
    done = totals(tmp_path, field, driven(), unit=unit)
    assert done.unit == ours
    assert done.product == pytest.approx(PRODUCT * factor, rel=2e-3)


GRID = 'E="3" F="2" G="GRD00001" I="2" J="9"'
ZONE = '<TZN A="9"><PDV A="0006" B="0"/></TZN>'
PLACE = 'A="41.02" B="-93.6" C="0.001" D="0.002"'


def task(folder: Path, *, grid: str = GRID, zones: str = ZONE, place: str = PLACE,
         cells: bytes = struct.pack("<6i", 1, 2, 3, 4, 5, 6)) -> Path:
    folder.mkdir()
    (folder / "TASKDATA.XML").write_text(
        f'<ISO11783_TaskData><TSK A="TSK1" G="1">{zones}<GRD {place} {grid}/></TSK>'
        "</ISO11783_TaskData>", encoding="utf-8")
    (folder / "GRD00001.BIN").write_bytes(cells)
    return folder


# ISO 11783-10, GRD: A latitude -90 to 90, B longitude -180 to 180, C and D cell sizes in degrees.
@pytest.mark.parametrize("place", [
    'A="-93.6" B="41.02" C="0.001" D="0.002"', 'A="91" B="0" C="0.001" D="0.002"',
    'A="0" B="181" C="0.001" D="0.002"', 'A="41" B="-93" C="30" D="1"',
    'A="41" B="-93" C="1" D="300"', 'A="4541000" B="450000" C="20" D="20"',
])
def test_s38_a_grid_that_lies_nowhere_stops(tmp_path: Path, place: str) -> None:
    with pytest.raises(InputError) as caught:
        read_task_grids(path=task(tmp_path / "t", place=place))
    assert caught.value.code == "task-grid-place"


@pytest.mark.parametrize(("value", "code"), [
    ("5000000000", "task-rate-range"), ("2147483648", "task-rate-range"),
    ("-2147483649", "task-rate-range"), ("1e3", "task-attribute"), ("1_000", "task-attribute"),
    ("\uff19", "task-attribute"), ("9007199254740993", "task-attribute"),
])
def test_s38_integers_beyond_the_standard_stop(tmp_path: Path, value: str, code: str) -> None:
    # PDV attribute B is a signed integer of 32 bits (xs:long within int32).
    folder = task(tmp_path / "t", grid='E="1" F="1" G="GRD00001" I="1"', cells=b"\x01",
                  zones=f'<TZN A="1"><PDV A="0006" B="{value}"/></TZN>')
    with pytest.raises(InputError) as caught:
        read_task_grids(path=folder)
    assert caught.value.code == code


def test_s38_negative_cells_and_a_length_that_lies(tmp_path: Path) -> None:
    (grid,) = read_task_grids(path=task(
        tmp_path / "a", cells=struct.pack("<6i", 1, 2, 3, 4, -5, 6)))
    with pytest.raises(InputError, match="row 1 from the north, column 2 from the west") as caught:
        grid.rates("kg/ha")
    assert caught.value.code == "task-rate"
    (whole,) = read_task_grids(path=task(tmp_path / "b", grid=f'{GRID} H="24"'))
    assert whole.rates("kg/ha")[1].tolist() == pytest.approx([0.01, 0.02, 0.03])
    for number in (1, -1):
        with pytest.raises(InputError) as caught:
            whole.rates("kg/ha", number=number)
        assert caught.value.code == "task-ddi-unknown"
    with pytest.raises(InputError, match="24 bytes, the task needs 12"):
        read_task_grids(path=task(tmp_path / "c", grid=f'{GRID} H="12"'))
    assert read_task_grids(path=task(tmp_path / "d", grid=f'{GRID} H="0"'))


def test_s39_every_ddi_against_pint() -> None:
    import pint

    units = pint.UnitRegistry()
    units.define("acre_of_1959 = 4046.8564224 m**2")
    words = {"lb/ac": "pound/acre_of_1959", "short ton/ac": "short_ton/acre_of_1959",
             "kg/ha": "kilogram/hectare", "t/ha": "tonne/hectare", "gal/ac": "gallon/acre_of_1959",
             "L/ha": "liter/hectare", "seeds/ac": "1/acre_of_1959"}
    bases = {"mg/m2": "mg/m**2", "mm3/m2": "mm**3/m**2", "1/m2": "1/m**2"}
    tried = 0
    for ddi, entry in known_ddis().items():
        for unit, (base, _) in UNITS.items():
            if base != entry.base:
                continue
            for rate in (0, 0.25, 7.5, 100, 333.3, 2000):
                exact = units.Quantity(rate, words[unit]).to(bases[base]).magnitude
                if exact / entry.resolution < 2**31 - 1:
                    assert abs(raw_value(rate, unit, ddi) - exact / entry.resolution) <= 0.500001
                    tried += 1
    assert tried > 150


@pytest.mark.parametrize("rate", [True, "100", None, float("inf"), float("nan"), -1e-9])
def test_s39_what_is_no_rate_is_refused(rate: Any) -> None:
    with pytest.raises(InputError) as caught:
        raw_value(rate, "lb/ac", "0006")
    assert caught.value.code == "task-rate"
    with pytest.raises(InputError, match="above 2147483647"):
        raw_value(1e308, "lb/ac", "0006")
    for ddi in (6, None):
        with pytest.raises(InputError) as caught:
            raw_value(1, "lb/ac", ddi)  # type: ignore[arg-type]
        assert caught.value.code == "task-ddi-form"
