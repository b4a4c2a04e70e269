"""GeoTIFFs of rates: what rasterio wrote, the audit's own reader reads, measures and judges.

Outside: GDAL writes (rasterio), GeographicLib's own Python port gives the acres of zones,
pyproj.Geod those of cells; no code of vrx makes a raster here.
"""

from __future__ import annotations

import itertools
import struct
import warnings
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import audit_rasters as tif
import numpy as np
import pyproj
import pytest
from audit_builders import POTASH, K, Run, T, acres, polygons
from rasterio.errors import NotGeoreferencedWarning
from rasterio.io import MemoryFile
from rasterio.transform import Affine

from vrx.audit import AuditResult, _geotiff, _raster_cells, _tiff, audit_files, audit_run
from vrx.audit._ledger import Ledger
from vrx.errors import InputError
from vrx.units import ACRE_M2

TOTAL = sum(rate * acres(one) for rate, one in zip(tif.rates(), polygons(), strict=True))
TOTAL_AC = sum(acres(one) for one in polygons())
KINDS = ("uint8", "int16", "uint32", "float32", "float64")


def codes(result: AuditResult) -> set[str]:
    return {fault.code for fault in result.faults}


def figure(result: AuditResult, what: str, where: str = "") -> Any:
    (found,) = [row for row in result.rows if row.what == what and where in row.where]
    return found


# --- the reader against GDAL ---------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("packed", ["NONE", "PACKBITS", "LZW", "DEFLATE"])
def test_every_layout_that_gdal_writes_is_read_alike(kind: str, packed: str) -> None:
    rng = np.random.default_rng(3)
    values = rng.integers(0, 100, (3, 37, 53)).astype(kind)
    values[:, :10] = np.arange(53) % 100
    predictors = [1, 2] if packed in ("LZW", "DEFLATE") else [1]
    predictors += [3] if len(predictors) == 2 and kind.startswith("f") else []
    for predictor, tiled, bands, big, order in itertools.product(
            predictors, (True, False), ("PIXEL", "BAND"), ("YES", "NO"), ("LITTLE", "BIG")):
        blocks = {"tiled": True, "blockxsize": 16, "blockysize": 32} if tiled else {"blockysize": 7}
        with MemoryFile() as memory:
            with memory.open(
                driver="GTiff", width=53, height=37, count=3, dtype=kind, compress=packed,
                predictor=predictor, interleave=bands, BIGTIFF=big, ENDIANNESS=order,
                crs=4326, transform=Affine(1e-5, 0, 1, 0, -1e-5, 1), **blocks,
            ) as target:
                target.write(values)
            data = bytes(memory.read())
        assert np.array_equal(_tiff.read(data).cells, values), (predictor, tiled, bands, big, order)


@pytest.mark.parametrize("packed", ["LZW", "PACKBITS"])
def test_long_blocks_fill_and_clear_the_table_of_strings(packed: str) -> None:
    values = np.random.default_rng(1).integers(0, 60000, (1, 200, 300)).astype("uint16")
    with MemoryFile() as memory:
        with memory.open(driver="GTiff", width=300, height=200, count=1, dtype="uint16",
                         compress=packed, blockysize=200, crs=4326,
                         transform=Affine(1e-5, 0, 1, 0, -1e-5, 1)) as target:
            target.write(values)
        data = bytes(memory.read())
    assert np.array_equal(_tiff.read(data).cells, values)


def test_a_cut_or_broken_tiff_is_a_fault_and_no_crash(tmp_path: Path) -> None:
    path = tif.write(tmp_path / "r.tif", *tif.burnt(tif.rates()), compress="LZW", name=K)
    data = path.read_bytes()
    for cut in (0, 3, 8, 50, len(data) // 3, len(data) // 2, len(data) - 1):
        path.write_bytes(data[:cut])
        assert "audit-unreadable" in codes(audit_files(paths=[path])) or cut > len(data) // 3
    rng = np.random.default_rng(7)
    for _ in range(150):
        broken = bytearray(data)
        for at in rng.integers(0, min(len(data), 600), 12):
            broken[at] = int(rng.integers(0, 256))
        path.write_bytes(bytes(broken))
        with suppress(InputError):
            audit_files(paths=[path])


def test_a_circle_of_images_and_a_bomb_are_refused() -> None:
    ring = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", 0) + struct.pack("<I", 8)
    with pytest.raises(ValueError, match="circle"):
        _tiff.read(ring)
    with MemoryFile() as memory:
        with memory.open(driver="GTiff", width=8, height=8, count=1, dtype="uint8", crs=4326,
                         transform=Affine(1e-5, 0, 1, 0, -1e-5, 1)) as target:
            target.write(np.ones((1, 8, 8), dtype="uint8"))
        data = bytearray(memory.read())
    at = struct.unpack_from("<I", data, 4)[0] + 2
    while struct.unpack_from("<H", data, at)[0] not in (256, 257):
        at += 12
    struct.pack_into("<HHII", data, at, 256, 4, 1, 2_000_000_000)
    with pytest.raises(ValueError, match="at most"):
        _tiff.read(bytes(data))


# --- where cells lie, and their acres ------------------------------------------------------------


@pytest.mark.parametrize("crs", [tif.LAEA, 32614, 2265, 4326, 4269, 3857])
def test_places_and_acres_of_cells_against_proj_and_geod(crs: Any, tmp_path: Path) -> None:
    cell = {4326: 4e-5, 4269: 4e-5, 2265: 14.0}.get(crs, 4.0)
    cells, place = tif.burnt(tif.rates(), crs=crs, cell=cell)
    ledger = Ledger()
    read = _geotiff.read(tif.write(tmp_path / "r.tif", cells, place, crs=crs).read_bytes(), "r",
                         ledger)
    assert read is not None
    ground = _raster_cells.ground_of(read)
    rows, columns = cells.shape
    move = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)
    geod = pyproj.Geod(ellps="WGS84")
    found, centres = ground.acres(), ground.centres()
    rng = np.random.default_rng(2)
    for row, column in zip(rng.integers(0, rows, 40), rng.integers(0, columns, 40), strict=True):
        def at(right: float, down: float, column: int = column, row: int = row) -> Any:
            return move.transform(place.c + place.a * (column + right),
                                  place.f + place.e * (row + down))

        centre = at(0.5, 0.5)
        here = centres[0][row, column], centres[1][row, column]
        # The longest line between transformed places is 100 m: less than a millimetre off it.
        assert geod.inv(*centre, *here)[2] < 1e-3
        ring = [at(i, j) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))]
        area, _ = geod.polygon_area_perimeter(*zip(*ring, strict=True))
        # Mercator's scale changes within 100 m; over a field that evens out.
        assert found[row, column] == pytest.approx(
            abs(area) / ACRE_M2, rel=1e-5 if crs == 3857 else 1e-6)


def test_a_cell_whose_place_is_its_centre_lies_half_a_cell_further(tmp_path: Path) -> None:
    cells, place = tif.burnt(tif.rates())
    paths = {
        point: tif.write(tmp_path / f"{point}.tif", cells, place, tags={"AREA_OR_POINT": point})
        for point in ("Area", "Point")}
    # GDAL moves the tie point of its own files, so that both lie alike.
    for path in paths.values():
        read = _geotiff.read(path.read_bytes(), "r", Ledger())
        assert read is not None
        assert read.place == pytest.approx(
            (place.c, place.a, place.b, place.f, place.d, place.e), abs=1e-6)
    assert paths["Area"].read_bytes() != paths["Point"].read_bytes()


@pytest.mark.parametrize("cell", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("crs", [tif.LAEA, 32614])
def test_acres_and_totals_lie_within_the_stated_border(
    crs: Any, cell: float, tmp_path: Path
) -> None:
    cells, place = tif.burnt(tif.rates(), crs=crs, cell=cell)
    result = audit_files(paths=[tif.write(
        tmp_path / "r.tif", cells, place, crs=crs, name=K, unit="lb/ac",
        tags={"MATERIAL": POTASH})])
    slack = figure(result, "most that cells on borders move the total").found
    total = figure(result, "total", K).found
    assert abs(total - TOTAL) <= slack
    # The bound follows the cell, and is no licence: the real difference is far smaller.
    assert slack / TOTAL < 0.016 * cell
    assert abs(total / TOTAL - 1) < 0.01
    assert figure(result, "product total").found == pytest.approx(total)
    assert result.agrees


def test_the_border_bound_holds_for_every_angle_and_place() -> None:
    """Half planes at 200 random angles and places: |cells - truth| never passes half a cell a
    side."""
    rng = np.random.default_rng(5)
    east, north = np.meshgrid(np.arange(60) + 0.5, np.arange(60) + 0.5)
    fine_e, fine_n = np.meshgrid((np.arange(600) + 0.5) / 10, (np.arange(600) + 0.5) / 10)
    for _ in range(200):
        angle, off = rng.uniform(0, 2 * np.pi), rng.uniform(-25, 25)
        own, fine = (
            (e - 30) * np.cos(angle) + (n - 30) * np.sin(angle) > off
            for e, n in ((east, north), (fine_e, fine_n)))
        if not own.any() or own.all():
            continue
        levels = _raster_cells.levels_of(
            _geotiff.Cells(values=np.where(own, 7.0, 3.0)[None], held=np.ones_like(own),
                           place=(0, 1, 0, 0, 0, 1), wkt="", units=("",), names=("",)),
            np.ones(own.shape))
        truth = fine.sum() / 100
        (k,) = np.flatnonzero(levels.rates[:, 0] == 7.0)
        assert abs(levels.acres[k] - truth) <= levels.slack_ac[k]


# --- files alone ---------------------------------------------------------------------------------


def test_a_stranger_s_raster_in_degrees_and_whole_numbers(tmp_path: Path) -> None:
    cells, place = tif.burnt(tif.rates(), crs=4326, cell=3e-5)
    whole = np.where(cells == tif.NODATA, 65535, cells).astype("uint16")
    path = tif.write(tmp_path / "theirs.tif", whole, place, crs=4326, nodata=65535,
                     compress="DEFLATE", predictor=2)
    result = audit_files(paths=[path])
    assert figure(result, "acres in all").found == pytest.approx(TOTAL_AC, rel=1e-3)
    assert figure(result, "total", "RATE").found == pytest.approx(TOTAL, rel=2e-3)
    assert codes(result) == {"audit-unit-unknown"}


def test_a_packing_that_is_not_known_is_read_by_gdal_and_told(tmp_path: Path) -> None:
    path = tif.write(tmp_path / "z.tif", *tif.burnt(tif.rates()), compress="ZSTD", name=K)
    result = audit_files(paths=[path])
    assert "audit-raster-reader" in codes(result)
    assert figure(result, "total", K).found == pytest.approx(TOTAL, rel=5e-3)


def odd(value: float) -> Callable[[np.ndarray], np.ndarray]:
    def change(cells: np.ndarray) -> np.ndarray:
        cells[cells == 200.0] = value
        return cells
    return change


@pytest.mark.parametrize(("change", "options", "code"), [
    (odd(-5.0), {}, "rate-odd"),
    (odd(np.inf), {}, "rate-odd"),
    (odd(9000.0), {}, "rate-implausible"),
    (lambda c: np.where(c == tif.NODATA, np.nan, c), {"nodata": None}, "raster-nan"),
    (lambda c: c, {"nodata": None}, "rate-odd"),
    (lambda c: c, {"crs": None}, "crs-missing"),
    (lambda c: c, {"place": Affine.identity()}, "raster-place"),
    (lambda c: np.full_like(c, tif.NODATA), {}, "empty"),
    (lambda c: c, {"tags": {"ANALYTE": "potassium"}}, "raster-no-rate"),
    (lambda c: c, {"name": "ZONE_ID"}, "raster-no-rate"),
])
def test_what_no_machine_should_load_is_told(
    change: Any, options: dict[str, Any], code: str, tmp_path: Path
) -> None:
    cells, place = tif.burnt(tif.rates())
    options = {"name": K, "unit": "lb/ac", "place": place} | options
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        path = tif.write(tmp_path / "r.tif", change(cells), options.pop("place"), **options)
    assert f"audit-{code}" in codes(audit_files(paths=[path]))


def test_scaled_numbers_are_told_and_followed(tmp_path: Path) -> None:
    import rasterio

    path = tif.write(tmp_path / "r.tif", *tif.burnt([one / 2 for one in tif.rates()]), name=K)
    with rasterio.open(path, "r+") as target:
        target.scales = [2.0]
    result = audit_files(paths=[path])
    assert "audit-raster-scaled" in codes(result)
    assert figure(result, "total", K).found == pytest.approx(TOTAL, rel=5e-3)


def boundary(tmp_path: Path) -> Path:
    import geopandas as gpd
    import shapely

    path = tmp_path / "boundary.geojson"
    path.write_text(gpd.GeoSeries([shapely.union_all(polygons())], crs=4326).to_json())
    return path


@pytest.mark.parametrize(("change", "code"), [
    (lambda c: c, None),
    (lambda c: c[::-1], "raster-turned-over"),
    (lambda c: c[:, ::-1], "raster-turned-over"),
    (lambda c: c[::-1, ::-1], "raster-turned-over"),
    (lambda c: np.where(np.arange(c.shape[1]) < 40, tif.NODATA, c), "gap"),
    (lambda c: np.where(c == tif.NODATA, 80.0, c), "outside"),
    (lambda c: np.where(c == tif.NODATA, 0.0, c), None),
])
def test_cells_against_the_boundary(change: Any, code: str | None, tmp_path: Path) -> None:
    cells, place = tif.burnt(tif.rates())
    path = tif.write(tmp_path / "r.tif", change(cells), place, name=K, unit="lb/ac")
    result = audit_files(paths=[path], boundary=boundary(tmp_path))
    found = codes(result) & {"audit-raster-turned-over", "audit-gap", "audit-outside"}
    assert (code is None and not found) or f"audit-{code}" in found


def test_cells_that_touch_the_boundary_may_hold_a_rate(tmp_path: Path) -> None:
    cells, place = tif.burnt(tif.rates(), touched=True)
    path = tif.write(tmp_path / "r.tif", cells, place, name=K, unit="lb/ac")
    result = audit_files(paths=[path], boundary=boundary(tmp_path))
    assert "audit-outside" not in codes(result)
    assert figure(result, "cells with a rate that touch the boundary from outside").found > 0.1


def test_a_raster_beside_polygons_of_the_same_product(tmp_path: Path) -> None:
    from audit_builders import frame

    from vrx.audit.stated import ColumnStated, Statement

    data = frame()[["ZONE_ID", K, "geometry"]].to_file(tmp_path / "z.gpkg", driver="GPKG")
    assert data is None
    stated = Statement(columns={K: ColumnStated(product=POTASH)})
    path = tif.write(tmp_path / "r.tif", *tif.burnt(tif.rates()), name=K, unit="lb/ac")
    result = audit_files(paths=[tmp_path / "z.gpkg", path], stated=stated)
    assert figure(result, "product total against z.gpkg").agrees
    worse = tif.write(tmp_path / "r.tif", *tif.burnt([one * 1.2 for one in tif.rates()]), name=K,
                      unit="lb/ac")
    result = audit_files(paths=[tmp_path / "z.gpkg", worse], stated=stated)
    assert "audit-totals-differ" in codes(result)


# --- against the job record ----------------------------------------------------------------------


def test_clean_rasters_of_a_run_agree(run: Run) -> None:
    tif.add(run)
    tif.seal(run)
    result = audit_run(folder=run.output)
    assert [row for row in result.rows if not row.agrees] == []
    assert codes(result) == {"audit-gap"} or not codes(result)
    assert result.arithmetic
    cell = figure(result, "cells that hold what the zone at their centre has", K)
    assert cell.expected > 10_000
    row = figure(result, "acres of 200 lb/ac by cells, to half a cell along its border")
    assert row.expected == pytest.approx(acres(polygons()[2]), rel=1e-6)
    assert 0 < row.tolerance < 0.05 * row.expected


def shifted(cells: np.ndarray) -> np.ndarray:
    return np.roll(cells, (1, -2), (0, 1))


def speck(cells: np.ndarray) -> np.ndarray:
    cells[cells.shape[0] // 3, cells.shape[1] // 3] = 330.0
    return cells


def stray(cells: np.ndarray) -> np.ndarray:
    cells[0, 0] = 80.0
    return cells


def bare(cells: np.ndarray) -> np.ndarray:
    cells[cells.shape[0] // 3, cells.shape[1] // 3] = tif.NODATA
    return cells


def all_of(factor: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda cells: np.where(cells == tif.NODATA, cells, cells * np.float32(factor))


FAULTS: dict[str, tuple[Any, dict[str, Any], str]] = {
    "upside down": (lambda c: c[::-1], {}, "raster-turned-over"),
    "mirrored": (lambda c: c[:, ::-1], {}, "raster-turned-over"),
    "half a turn": (lambda c: c[::-1, ::-1], {}, "raster-turned-over"),
    "moved by cells": (shifted, {}, "raster-moved"),
    "one cell of another zone": (speck, {}, "raster-cells"),
    "one cell outside": (stray, {}, "outside"),
    "one cell bare": (bare, {}, "gap"),
    "two zones exchanged": (
        lambda c: np.select([c == 200, c == 120], [120, 200], c).astype("f4"), {}, "raster-cells"),
    "a zone's rate dropped": (lambda c: np.where(c == 120, 80, c).astype("f4"), {},
                              "raster-zone-missing"),
    "a rate of no zone": (odd(205.0), {}, "rate-unrecorded"),
    "negative": (odd(-200.0), {}, "rate-odd"),
    "no number": (odd(np.nan), {}, "raster-nan"),
    "kg/ha": (all_of(1.12085), {}, "rate-unit"),
    "zero outside": (lambda c: np.where(c == tif.NODATA, 0, c).astype("f4"), {}, "outside"),
    "another unit": (None, {"unit": "kg/ha"}, "raster-words"),
    "another material": (None, {"tags": {"MATERIAL": "lime", "UNIT": "lb/ac"}}, "raster-words"),
    "another band": (None, {"name": T}, "raster-pass"),
    "band of no pass": (None, {"name": "P9_KCL_LB"}, "raster-pass"),
    "no words": (None, {"name": "", "unit": "", "tags": {}}, "raster-words"),
    "no system": (None, {"crs": None}, "crs-missing"),
    "another system": (None, {"crs": 32614}, "raster-zone-missing outside raster-cells gap"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_each_planted_fault_is_told_by_its_name(name: str, run: Run) -> None:
    change, options, code = FAULTS[name]
    cells, place = tif.burnt(tif.rates())
    tif.add(run, cells=cells if change is None else change(cells), place=place, **options)
    tif.seal(run)
    result = audit_run(folder=run.output)
    found = {one.code for one in result.faults if "rate_" in one.where or "raster" in one.code}
    assert {f"audit-{one}" for one in code.split()} & found, [f"{one}" for one in result.faults]
    assert not result.arithmetic or name == "no words"


@pytest.mark.parametrize("tag", ["RATE_STEP", "TOTAL_PRESCRIBED", "TOTAL_BY_CELLS", "CELL_AC"])
def test_a_wrong_figure_among_the_words_does_not_agree(tag: str, run: Run) -> None:
    tif.add(run, tags={"MATERIAL": POTASH, "UNIT": "lb/ac", tag: "17"})
    tif.seal(run)
    result = audit_run(folder=run.output)
    assert not figure(result, f"{tag} in the raster").agrees
    assert not result.arithmetic


def test_half_a_cell_to_the_side_is_told(run: Run) -> None:
    cells, place = tif.burnt(tif.rates())
    tif.add(run, cells=cells, place=Affine(place.a, 0, place.c + place.a / 2, 0, place.e,
                                            place.f))
    tif.seal(run)
    result = audit_run(folder=run.output)
    assert {"audit-raster-cells", "audit-outside", "audit-gap"} & codes(result)


def test_a_missing_raster_of_a_pass_is_told(run: Run) -> None:
    tif.add(run)
    (run.folder / "geotiff" / f"rate_{T}.tif").unlink()
    tif.seal(run)
    assert "audit-raster-pass" in codes(audit_run(folder=run.output))


def test_a_lone_raster_with_the_job_record(run: Run) -> None:
    tif.add(run)
    path = run.folder / "geotiff" / f"rate_{K}.tif"
    result = audit_files(paths=[path], record=run.folder / "manifest.json")
    assert result.arithmetic
    tif.add(run, cells=odd(205.0)(tif.burnt(tif.rates())[0]))
    result = audit_files(paths=[path], record=run.folder / "manifest.json")
    assert "audit-rate-unrecorded" in codes(result)
    assert result.arithmetic is False
