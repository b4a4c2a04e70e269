"""Task data of ISO 11783-10: a grid of a million cells, 200 zones, a log of a million records.

`python scripts/bench/task_data.py` prints seconds of one run each, best of three, and beside them
a fixed workload of numpy in the same run, so that figures of two machines can be compared.
"""

from __future__ import annotations

import struct
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapely

from vrx import geo
from vrx.export import TaskDataOptions, build_set, write_formats
from vrx.formats.task_check import judge_task_data
from vrx.intake import read_task_grids, read_time_logs
from vrx.model import Field, Material, PassRates, Prescription, Zone, Zones

CENTRE = (-96.5, 41.2)


def material() -> Material:
    return Material(
        id="muriate of potash 0-0-60", code="KCL", form="dry", n_pct=0, p2o5_pct=0, k2o_pct=60,
        s_pct=0, mg_pct=0, cl_pct=0, density_lb_per_gal=None, s_form="", cautions=(), evidence="",
        source="")


def mosaic(count: int, side_m: float, options: TaskDataOptions):
    """A square field of Voronoi zones with rates of 80 to 300 lb/ac."""
    rng = np.random.default_rng(1)
    square = shapely.box(0, 0, side_m, side_m)
    points = shapely.MultiPoint(rng.uniform(0, side_m, (count, 2)))
    cells = shapely.get_parts(shapely.voronoi_polygons(points, extend_to=square))
    polygons = [shapely.intersection(one, square) for one in cells]
    zones = tuple(Zone(zone_id=k + 1, letter=f"Z{k + 1}", polygon=one,
                       area_ac=geo.area_ac(one, CENTRE), label="")
                  for k, one in enumerate(polygons))
    steps = rng.integers(80, 300, count)
    one = PassRates(
        pass_id="first", number=1, timing="", method="broadcast", material=material(), serves="K2O",
        kind="variable", column="P1_KCL_LB", step=1.0, steps=steps, rates=steps.astype(float),
        treated_ac=None, wanted_total=0, planned_total=0, prescription_total=0, order_total=0)
    field = Field(name="bench", crs_centre=CENTRE, boundary=shapely.MultiPolygon([square]),
                  area_ac=geo.area_ac(square, CENTRE))
    from dataclasses import replace

    return replace(build_set(
        field=field, zones=Zones(zones=zones, basis=""),
        prescription=Prescription(
            zone_ids=tuple(z.zone_id for z in zones), zone_area_ac=tuple(z.area_ac for z in zones),
            passes=(one,), order=(), balances=())), task_data=options)


def best(work: Callable[[Path], object]) -> float:
    times = []
    for _ in range(3):
        with tempfile.TemporaryDirectory() as folder:
            begun = time.perf_counter()
            work(Path(folder))
            times.append(time.perf_counter() - begun)
    return min(times)


def yardstick(_: Path) -> None:
    rng = np.random.default_rng(0)
    np.sort(rng.random(5_000_000))


def log_of(count: int, folder: Path) -> None:
    """A log with a rate and a state in every record, a width in every tenth."""
    dlv = "".join(f'<DLV A="{ddi}" B="" C="DET1"/>' for ddi in ("0007", "008D", "0043"))
    (folder / "TLG00001.xml").write_text(
        f'<TIM A="" D="4"><PTN A="" B="" C="" D="" E="" F="" G=""/>{dlv}</TIM>', encoding="utf-8")
    rows = []
    for k in range(count):
        more = struct.pack("<Bi", 2, 18288) if k % 10 == 0 else b""
        rows.append(struct.pack(
            "<IHiiiBHHBBBiBi", (200 * k) % 86_400_000, 16906, 412_000_000 + k % 9999, -965_000_000,
            300_000, 4, 12, 9, 14, 3 if more else 2, 0, 11209 + k % 50, 1, 1) + more)
    (folder / "TLG00001.bin").write_bytes(b"".join(rows))


def main() -> None:
    unit = best(yardstick)
    print(f"{'sorting 5 million numbers':58} {unit:8.2f} s")

    def tell(what: str, seconds: float) -> None:
        print(f"{what:58} {seconds:8.2f} s {seconds / unit:8.2f} x")

    for form in ("grid type 1", "grid type 2"):
        meant = mosaic(40, 2000.0, TaskDataOptions(form=form, cell_m=2.0))

        def whole(folder: Path, meant=meant) -> None:
            write_formats(meant=meant, formats=["iso11783"], folder=folder)
            (grid,) = read_task_grids(path=folder)
            if grid.raw.size < 990_000:
                raise SystemExit(f"no grid of a million cells: {grid.raw.shape}")

        tell(f"1,000,000 cells, {form}: written, verified, read", best(whole))
    for form in ("polygons", "grid type 1", "grid type 2"):
        meant = mosaic(200, 800.0, TaskDataOptions(form=form))
        tell(f"200 zones, {form}: written and verified",
             best(lambda folder, meant=meant: write_formats(
                 meant=meant, formats=["iso11783"], folder=folder)))
    with tempfile.TemporaryDirectory() as kept:
        write_formats(meant=mosaic(200, 800.0, TaskDataOptions()), formats=["iso11783"],
                      folder=Path(kept))
        tell("200 zones judged", best(lambda _: judge_task_data(Path(kept) / "TASKDATA")))
    with tempfile.TemporaryDirectory() as kept:
        log_of(1_000_000, Path(kept))
        tell("a log of 1,000,000 records read",
             best(lambda _: read_time_logs(path=Path(kept) / "TLG00001.xml")))


if __name__ == "__main__":
    main()
