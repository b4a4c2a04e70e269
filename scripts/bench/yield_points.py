"""A million yield points: seconds and peak memory of reading, cleaning and gridding, one run.

Writes an invented log (about 70 MB) into a scratch folder, then works on it in a fresh process:

    python scripts/bench/yield_points.py [readings]
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import shapely

from vrx.geo import area_ac, centre_of, from_lonlat, grid_over, to_lonlat
from vrx.intake.yields import (
    CleanSpec,
    LogColumn,
    PlaceColumns,
    YieldSpec,
    clean_yield,
    grid_yield,
    read_yield_log,
)
from vrx.model import Field

CENTRE = (-93.6, 41.04)
PER_PASS, SWATH_M, STEP_M = 2000, 3.0, 1.0
SPEC = YieldSpec(
    amount=LogColumn(column="yield_t_ha", unit="t/ha"), moisture_pct=12.0,
    places=PlaceColumns(longitude_column="lon", latitude_column="lat"),
    time=LogColumn(column="time_s", unit="s"), speed=LogColumn(column="speed_m_s", unit="m/s"),
    swath_m=SWATH_M)


def write_log(path: Path, readings: int) -> None:
    """Passes of 2 km, there and back, 3 m apart; noise, and one faulty reading in 200."""
    rng = np.random.default_rng(7)
    lane, along = np.divmod(np.arange(readings), PER_PASS)
    along = np.where(lane % 2 == 0, along, PER_PASS - 1 - along) * STEP_M
    east, north = lane * SWATH_M - 750.0, along - 1000.0
    tons = 4.0 + np.sin(along / 300.0) + 0.6 * np.cos(lane / 60.0) + rng.normal(0, 0.3, readings)
    tons[rng.random(readings) < 0.005] = 25.0
    points = shapely.points(east, north)
    lonlat = shapely.get_coordinates(to_lonlat(shapely.multipoints(points), CENTRE))
    clock = np.arange(readings) * 0.5 + lane * 20.0
    table = np.column_stack([clock, lonlat, np.full(readings, 2.0), np.maximum(tons, 0.0)])
    np.savetxt(path, table, fmt=["%.1f", "%.7f", "%.7f", "%.1f", "%.3f"], delimiter=",",
               header="time_s,lon,lat,speed_m_s,yield_t_ha", comments="")


def field_for(readings: int) -> Field:
    lanes = -(-readings // PER_PASS)
    box = shapely.box(-755.0, -1005.0, lanes * SWATH_M - 745.0, 1005.0)
    lonlat = to_lonlat(box, CENTRE)
    centre = centre_of(lonlat)
    boundary = shapely.MultiPolygon([from_lonlat(lonlat, centre)])
    return Field(name="bench", crs_centre=centre, boundary=boundary,
                 area_ac=area_ac(boundary, centre))


def work(path: Path, readings: int) -> None:
    field = field_for(readings)
    grid = grid_over(field.boundary, cell_m=5.0)
    start = begun = time.perf_counter()
    told: list[str] = []

    def progress(step: str, _: float) -> None:
        told.append(step)

    log = read_yield_log(path=path, field=field, spec=SPEC, progress=progress)
    read = time.perf_counter()
    cleaned = clean_yield(log=log, spec=CleanSpec(), progress=progress)
    clean = time.perf_counter()
    layer = grid_yield(log=cleaned, grid=grid, field=field, fill_within_m=10.0)
    end = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{len(log.record):,} readings, field {field.area_ac:.1f} ac, "
          f"{layer.count.sum():,} kept, {100 * layer.covered_share:.1f} % covered, "
          f"{len(told)} steps of progress told")
    for name, count in cleaned.counts.items():
        if count:
            print(f"  {name}: {count:,}")
    print(f"read {read - begun:.2f} s, clean {clean - read:.2f} s, grid {end - clean:.2f} s, "
          f"all {end - begun:.2f} s; peak memory {peak:.0f} MB")
    begun = time.perf_counter()
    rows = len(pd.read_csv(path))
    plain = time.perf_counter() - begun
    print(f"pandas {pd.__version__} reads the same {rows:,} rows in {plain:.2f} s; all of that "
          f"takes {(end - start) / plain:.1f} times that, reading alone "
          f"{(read - start) / plain:.1f} times")


def main() -> None:
    if len(sys.argv) == 4 and sys.argv[1] == "--work":
        work(Path(sys.argv[2]), int(sys.argv[3]))
        return
    readings = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    print(f"numpy {np.__version__}, pyproj {pyproj.__version__}")
    with tempfile.TemporaryDirectory(prefix="vrx-bench-") as folder:
        path = Path(folder) / "log.csv"
        write_log(path, readings)
        print(f"log of {path.stat().st_size / 1e6:.0f} MB")
        subprocess.run([sys.executable, __file__, "--work", str(path), str(readings)], check=True)


if __name__ == "__main__":
    main()
