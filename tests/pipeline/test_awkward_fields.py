"""Fields at awkward places and shapes, from files to audit."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyproj
import pytest

from vrx.audit import audit_run
from vrx.errors import InputError, PlanError
from vrx.pipeline import check_field, new_plan, run_field

PLAN = """
schema = 1
[field]
name = "Square"
boundary = "boundary.geojson"
crop = "alfalfa"
season = 2027
[soil]
samples = "soil.csv"
id_column = "id"
longitude_column = "longitude"
latitude_column = "latitude"
sampled_on = 2026-10-06
[soil.potassium]
column = "K"
unit = "ppm"
form = "K"
extractant = "mehlich-3"
depth_in = [0, 8]
[yield_goal]
tons_per_ac = 6.0
moisture_pct = 0
[zones]
from = "soil classes"
smallest_ac = 1.0
[need.potassium]
book = "tri-state-2020"
cec_meq_per_100g = 10.0
[[pass]]
id = "one"
timing = "stubble of cutting 1"
method = "broadcast"
material = "muriate of potash 0-0-60"
serves = "potassium"
rate = "variable"
share_of_need = 1.0
[machine.one]
step_lb_per_ac = 10
swath_ft = 60
"""


def make(
    folder: Path, *, lon: float, lat: float, wide_m: float = 600.0, high_m: float = 600.0
) -> Path:
    """A field around a place, four corners in a metric frame, K rising from west to east."""
    frame = pyproj.CRS.from_proj4(f"+proj=laea +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m")
    to_degrees = pyproj.Transformer.from_crs(frame, "EPSG:4326", always_xy=True)
    half_e, half_n = wide_m / 2, high_m / 2
    east = np.array([-half_e, half_e, half_e, -half_e, -half_e])
    north = np.array([-half_n, -half_n, half_n, half_n, -half_n])
    ring = np.column_stack(to_degrees.transform(east, north)).tolist()
    (folder / "boundary.geojson").write_text(json.dumps({
        "type": "FeatureCollection", "features": [{
            "type": "Feature", "properties": {},
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }],
    }), encoding="utf-8")
    rng = np.random.default_rng(4)
    at_e, at_n = rng.uniform(-0.48, 0.48, (2, 20)) * np.array([[wide_m], [high_m]])
    k_ppm = np.round(130 + 110 * at_e / wide_m)
    lons, lats = to_degrees.transform(at_e, at_n)
    rows = [f"S{i},{x:.8f},{y:.8f},{k:g}"
            for i, (x, y, k) in enumerate(zip(lons, lats, k_ppm, strict=True), 1)]
    (folder / "soil.csv").write_text(
        "\n".join(["id,longitude,latitude,K", *rows]) + "\n", encoding="utf-8")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    return folder


@pytest.mark.parametrize(("lat", "wide_m", "high_m"), [(60.3, 600, 600), (41.0, 1600, 12.2),
                                                       (-31.0, 600, 600)])
def test_the_audit_agrees_where_zone_corners_lie_on_a_long_edge(
    tmp_path: Path, lat: float, wide_m: float, high_m: float
) -> None:
    # A parallel bulges against the chord: 600 m at 60 N by 0.5 s^2 tan(lat) / R = 1.2 cm over a
    # half edge of 300 m, 1.2e-7 degree, more than the audit allows a layer to be off.
    result = run_field(make(tmp_path, lon=-98.0, lat=lat, wide_m=wide_m, high_m=high_m))
    assert len(result.job.zones.zones) > 1
    audited = audit_run(folder=result.folder)
    assert audited.arithmetic is True, [row for row in audited.rows if not row.agrees]
    acres = wide_m * high_m / 4046.8564224
    assert result.job.field.area_ac == pytest.approx(acres, rel=1e-6)


def test_a_field_across_longitude_180_stops_with_its_reason(tmp_path: Path) -> None:
    folder = make(tmp_path, lon=179.9999, lat=-17.5)
    for verb in (run_field, check_field):
        with pytest.raises(InputError) as caught:
            verb(folder)
        assert caught.value.code == "boundary-crosses-180"
        assert "'Square' crosses longitude 180" in str(caught.value)
    assert not (folder / "output").exists()
    with pytest.raises(InputError, match="crosses longitude 180"):
        new_plan(folder / "new", boundary=folder / "boundary.geojson",
                 samples=folder / "soil.csv")
    assert not (folder / "new").exists()


def test_a_field_narrower_than_the_swath_is_not_told_to_raise_a_limit(tmp_path: Path) -> None:
    # 40 ft of field under a swath of 60 ft, which narrowest_ft (60 by default) already allows for.
    folder = make(tmp_path, lon=-98.0, lat=41.0, wide_m=1600, high_m=12.2)
    plan = (folder / "plan.toml").read_text(encoding="utf-8")

    def advice() -> str:
        return next(one.todo for one in run_field(folder).job.findings
                    if one.code == "zones-narrower-than-swath")

    assert advice().startswith("narrowest_ft = 60 cannot help")
    (folder / "plan.toml").write_text(
        plan.replace("smallest_ac = 1.0", "smallest_ac = 1.0\nnarrowest_ft = 40"), encoding="utf-8")
    assert advice().startswith("raise [zones] narrowest_ft to 60")


@pytest.mark.parametrize(("old", "new", "code"), [
    ('book = "tri-state-2020"', 'book = "tristate2020"', "plan-book-unknown"),
    ('extractant = "mehlich-3"', 'extractant = "olsen"', "rules-extractant"),
    ("step_lb_per_ac = 10", "step_gal_per_ac = 10", "plan-unit"),
    ("step_lb_per_ac = 10", "least_lb_per_ac = 50\nmost_lb_per_ac = 20", "pass-limits"),
])
def test_check_is_ready_only_if_the_run_would_not_stop(
    tmp_path: Path, old: str, new: str, code: str
) -> None:
    folder = make(tmp_path, lon=-98.0, lat=41.0)
    good = check_field(folder)
    assert good.ready
    (folder / "plan.toml").write_text(PLAN.replace(old, new), encoding="utf-8")
    checked = check_field(folder)
    assert not checked.ready
    assert [one.code for one in checked.findings if one.severity == "stop"] == [code]
    assert checked.readings[0].samples == good.readings[0].samples
    assert not (folder / "output").exists()


def test_a_boundary_too_large_for_its_cells_stops_before_the_memory_fills(tmp_path: Path) -> None:
    # 20 km x 20 km at 5 m: 16 million cells.
    folder = make(tmp_path, lon=-98.0, lat=41.0, wide_m=20_000, high_m=20_000)
    with pytest.raises(PlanError, match="more than 2,000,000") as caught:
        run_field(folder)
    assert caught.value.code == "plan-map-size"
    assert "cell_m = 15" in caught.value.hint


def test_two_values_of_one_place_far_apart_are_warned_of_by_value(tmp_path: Path) -> None:
    folder = make(tmp_path, lon=-98.0, lat=41.0)
    soil = folder / "soil.csv"
    rows = soil.read_text(encoding="utf-8").splitlines()
    name, lon, lat, k_ppm = rows[4].split(",")
    soil.write_text("\n".join([*rows, f"{name},{lon},{lat},{10 * float(k_ppm):g}"]) + "\n",
                    encoding="utf-8")
    told = [one for one in check_field(folder).findings if one.code == "soil-merged-far-apart"]
    assert len(told) == 1
    assert told[0].severity == "warn"
    assert f"S4 ({float(k_ppm):g}, {10 * float(k_ppm):g}; mean {5.5 * float(k_ppm):g})" in (
        told[0].what)
    close = f"{name},{lon},{lat},{1.5 * float(k_ppm):g}"
    soil.write_text("\n".join([*rows, close]) + "\n", encoding="utf-8")
    assert not [f for f in check_field(folder).findings if f.code == "soil-merged-far-apart"]
