"""Coordinates in sample tables as people write them: the right place or a clear stop.

All samples are invented; the sixteen of the fixtures, whose K adds up to 2874 ppm, are the measure.
"""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyproj
import pytest

from vrx.intake import read_soil
from vrx.model import Field

kinds = runpy.run_path(str(Path(__file__).with_name("kinds.py")))
SUM, stop_code, k_sum, written = (kinds[name] for name in ("SUM", "stop_code", "k_sum", "written"))


def _dms(value: float, end: str, marks: str = "°'\"") -> str:
    size = abs(value)
    minutes = (size % 1) * 60
    return (f"{int(size)}{marks[0]}{int(minutes):02d}{marks[1]}{(minutes % 1) * 60:.4f}"
            f"{marks[2:]}{end}")


@pytest.mark.parametrize("spelled", [
    lambda a, o: (f"{a} North", f"{-o} West"), lambda a, o: (f"Lat: {a}", f"Lon: {o}"),
    lambda a, o: (_dms(a, "", "::"), "-" + _dms(o, "", "::")),
    lambda a, o: (_dms(a, "", "dms"), "-" + _dms(o, "", "dms")),
    lambda a, o: (f"{a}", f"–{-o}"), lambda a, o: (f"{a}", f"- {-o}"),
    lambda a, o: (f"{a:.9e}", f"{o:.9e}"), lambda a, o: (f"{a}", f"{o + 360}")])
def test_spellings_of_degrees(*, make: SimpleNamespace, field: Field, tmp_path: Path, spelled: Any
                              ) -> None:
    rows = [[r[0], *spelled(float(r[1]), float(r[2])), r[3]] for r in make.sample_rows()]
    spec = make.soil_spec(decimal_mark=".")
    soil = read_soil(path=written(make, tmp_path / "g.csv", rows), field=field, spec=spec)
    assert (k_sum(soil), len(soil.sample_id)) == (SUM, 16)
    plain = read_soil(path=written(make, tmp_path / "p.csv", make.sample_rows()), field=field,
                      spec=make.soil_spec())
    assert np.allclose(soil.easting_m, plain.easting_m, atol=0.02)


@pytest.mark.parametrize(("spelled", "code"), [
    (lambda a, o: (f"{a}", f"{o} E"), "soil-coordinate-unreadable"),
    (lambda a, o: (f"{a}, {o}", ""), "soil-coordinate-unreadable"),
    (lambda a, o: (f"{a:.2f}", f"{o:.2f}"), "soil-coordinates-coarse")])
def test_degrees_that_stop(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, spelled: Any, code: str
) -> None:
    rows = [[r[0], *spelled(float(r[1]), float(r[2])), r[3]] for r in make.sample_rows()]
    path = written(make, tmp_path / "g.csv", rows)
    assert stop_code(path, field, make.soil_spec()) == code


@pytest.mark.parametrize(("zone", "ok"), [
    ("15", True), ("15T", True), ("15 t", True), ("15N", True), ("UTM 15N", True),
    ("Zone 15", True), ("15.0", True), ("15S", False), ("15C", False), ("61", False)])
def test_zones_with_letters(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, zone: str, ok: bool
) -> None:
    to_utm = pyproj.Transformer.from_crs(4326, make.utm, always_xy=True)
    rows = [[r[0], *(f"{v:.3f}" for v in to_utm.transform(float(r[2]), float(r[1]))), r[3], zone]
            for r in make.sample_rows()]
    path = written(make, tmp_path / "z.csv", rows, head=["sample_id", "E", "N", "K_ppm", "zone"])
    spec = make.soil_spec(longitude_column=None, latitude_column=None, easting_column="E",
                          northing_column="N", zone_column="zone")
    if ok:
        assert k_sum(read_soil(path=path, field=field, spec=spec)) == SUM
    else:
        assert stop_code(path, field, spec) == "soil-zone-unknown"


def test_many_names_at_few_places(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    base = make.sample_rows()
    rows = [[r[0], *base[0][1:3], r[3]] for r in base]
    soil = read_soil(path=written(make, tmp_path / "f.csv", rows), field=field,
                     spec=make.soil_spec())
    assert "soil-places-few" in make.codes(soil.findings)


@pytest.mark.parametrize("place", [("", ""), ("41.0123", ""), ("n/a", "no fix"), ("-", "–")])
def test_a_sample_without_a_fix_is_left_out(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, place: tuple[str, str]
) -> None:
    rows = make.sample_rows()
    rows[4][1:3] = place
    soil = read_soil(path=written(make, tmp_path / "n.csv", rows), field=field,
                     spec=make.soil_spec())
    assert k_sum(soil) == SUM - make.k[4]
    assert any("S05" in f.what for f in soil.findings if f.severity.name == "WARN")
