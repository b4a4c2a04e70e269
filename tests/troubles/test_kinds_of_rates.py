"""Kinds behind S25 to S30: how rates, units, texts and parts stand in other people's files."""

from __future__ import annotations

import json
import threading
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapefile
import trouble_builders as make

from vrx.audit import AuditResult, audit_file
from vrx.errors import ExportError
from vrx.export import build_set, write_formats
from vrx.export.write import _move_in
from vrx.model import Field

HALF = ((0, 0, 400, 800), (400, 0, 800, 800))
HALF_HA = 640_473.5 / 2 / 10_000  # of the square of 640,473.5 m2, see the builders


def judged(path: Path, column: str, values: tuple[Any, Any]) -> AuditResult:
    made = make.geojson(path, *(make.polygon(make.box(*one)) for one in HALF),
                        properties=[{column: value} for value in values])
    return audit_file(path=made)


def codes(result: AuditResult) -> set[str]:
    return {fault.code for fault in result.faults}


def total(result: AuditResult) -> tuple[float, str]:
    (row,) = (row for row in result.rows if row.what == "total")
    assert isinstance(row.found, float)
    return row.found, row.unit


# 100 and 50 on halves of the square; hectare 10,000 m2, acre 4046.8564224 m2 (NIST Handbook 44,
# appendix C), so 150 a hectare is 150 x hectares of a half, whatever the unit of mass.
@pytest.mark.parametrize(("column", "unit", "per"), [
    ("RATE_LB_AC", "lb", "ac"), ("lb/ac", "lb", "ac"), ("lbs per acre", "lb", "ac"),
    ("LBSAC", "lb", "ac"), ("K2O_LB_AC", "lb", "ac"), ("RATE_LB", "lb", "ac"),
    ("GPA", "gal", "ac"), ("gal/ac", "gal", "ac"), ("RATE_GAL", "gal", "ac"),
    ("kg/ha", "kg", "ha"), ("Rate (kg/ha)", "kg", "ha"), ("KGHA", "kg", "ha"),
    ("L_HA", "L", "ha"), ("KG_AC", "kg", "ac"), ("Größe_kg_ha", "kg", "ha"),
])
def test_s25_units_that_a_name_states(tmp_path: Path, column: str, unit: str, per: str) -> None:
    found, said = total(judged(tmp_path / "z.geojson", column, (100, 50)))
    ground = HALF_HA if per == "ha" else HALF_HA * 10_000 / make.ACRE_M2
    assert said == unit
    assert found == pytest.approx(150 * ground, rel=1e-6)


@pytest.mark.parametrize("column", [
    "LB_HA", "TOTAL_LB", "LB_TOTAL", "LB_MIN", "GAL_MIN", "GAL_HR", "LB_DAY", "LB_1000FT2",
    "PCT_LB", "KG_HA_X10", "lb_ac_kg_ha", "K2O_LB", "OZ_AC", "RATE", "TON_AC",
])
def test_s25_names_that_state_no_unit_get_none(tmp_path: Path, column: str) -> None:
    result = judged(tmp_path / "z.geojson", column, (100, 50))
    assert "audit-unit-unknown" in codes(result)
    assert total(result)[1] == "unknown"


@pytest.mark.parametrize(("column", "values"), [
    ("RATE", ("100", "50")), ("RATE", (100, "off")), ("Rate", ("100 lb/ac", "50 lb/ac")),
    ("rate", ("100,5", "50,5")), ("target", ("1 000", "")), ("LB_AC", (True, False)),
])
def test_s26_rates_that_are_no_numbers_stop(
    tmp_path: Path, column: str, values: tuple[Any, Any]
) -> None:
    result = judged(tmp_path / "z.geojson", column, values)
    assert "audit-column-kind" in codes(result)
    assert not result.agrees


def test_s26_a_file_without_rates_says_so(tmp_path: Path) -> None:
    assert "audit-no-rate" in codes(judged(tmp_path / "a.geojson", "NAME", ("north", "south")))
    assert "audit-no-rate" not in codes(judged(tmp_path / "b.geojson", "RATE_LB_AC", (1, 2)))
    doubt = judged(tmp_path / "c.geojson", "N", ("12", "13"))
    assert {"audit-column-kind", "audit-no-rate"} <= codes(doubt)
    assert doubt.agrees  # texts in a column of any name are a doubt, no fault


def two_zones(folder: Path, *, decimals: int = 2, encoding: str = "utf-8",
              names: tuple[str, str] = ("A", "B")) -> Path:
    folder.mkdir(parents=True)
    with shapefile.Writer(str(folder / "z"), shapeType=5, encoding=encoding) as writer:
        writer.field("NAME", "C", 20)
        writer.field("WHEN", "D")
        writer.field("RATE_LB_AC", "N", 12, decimals)
        for name, rate, box in zip(names, (100, 50), HALF, strict=True):
            writer.poly([make.utm_box(*box)])
            writer.record(name, "20260412", rate)
    (folder / "z.prj").write_text(make._UTM.to_wkt("WKT1_ESRI"))
    return folder / "z.shp"


@pytest.mark.parametrize("written", [
    "50,00", "1,500.00", "50.00lb", "5_0", "5 00.00", "****50.00", "NaN", "--50",
])
def test_s27_numbers_written_otherwise_are_named(tmp_path: Path, written: str) -> None:
    # dBASE III: a numeric field holds digits, a sign and one point, right-aligned.
    path = two_zones(tmp_path / "z")
    data = path.with_suffix(".dbf").read_bytes()
    path.with_suffix(".dbf").write_bytes(
        data.replace(b"50.00".rjust(12), written.encode().rjust(12)))
    result = audit_file(path=path)
    assert [f.value for f in result.faults if f.code == "audit-number-form"] == [written]
    assert not result.agrees


def test_s27_decimals_in_a_field_without_any_are_not_cut_silently(tmp_path: Path) -> None:
    path = two_zones(tmp_path / "z", decimals=0)
    data = path.with_suffix(".dbf").read_bytes()
    path.with_suffix(".dbf").write_bytes(data.replace(b"50".rjust(12), b"50.75".rjust(12)))
    assert "audit-number-form" in codes(audit_file(path=path))
    path.with_suffix(".dbf").write_bytes(data.replace(b"50".rjust(12), b"50.00".rjust(12)))
    assert "audit-number-form" not in codes(audit_file(path=path))


@pytest.mark.parametrize(("old", "new", "code"), [
    (b"       50.00", b"       5\0\0\0\0", "audit-number-form"),
    (b"      100.00", b"\0\0\0\0\0\0\0\0" + b"0.00", "audit-number-form"),
    (b" B  ", b"\0B  ", "audit-unreadable"), (b" A  ", b"xA  ", "audit-unreadable"),
    (b"       50.00", b"\0" * 12, "audit-rate-odd"),
])
def test_s29_zero_bytes_never_become_a_rate(
    tmp_path: Path, old: bytes, new: bytes, code: str
) -> None:
    # A block of zeros is what is left of a sector that was never written.
    path = two_zones(tmp_path / "z")
    data = path.with_suffix(".dbf").read_bytes()
    assert old in data
    path.with_suffix(".dbf").write_bytes(data.replace(old, new, 1))
    result = audit_file(path=path)
    assert code in codes(result)
    assert not result.agrees


def test_s27_numbers_filled_up_with_zero_bytes_are_read(tmp_path: Path) -> None:
    path = two_zones(tmp_path / "z")
    data = path.with_suffix(".dbf").read_bytes()
    path.with_suffix(".dbf").write_bytes(data.replace(b"       50.00", b"50.00" + b"\0" * 7))
    result = audit_file(path=path)
    assert result.agrees, result.faults
    assert total(result)[0] == pytest.approx(150 * HALF_HA * 10_000 / make.ACRE_M2, rel=1e-6)


@pytest.mark.parametrize(("moved_m", "code"), [(30.0, "audit-record-box"), (9e5, "audit-place")])
def test_s29_a_damaged_corner_is_not_taken_for_ground(
    tmp_path: Path, moved_m: float, code: str
) -> None:
    path = two_zones(tmp_path / "z")
    data = path.read_bytes()
    east = np.array([make.WEST + 800.0]).astype("<f8").tobytes()
    north = np.array([make.SOUTH + 800.0]).astype("<f8").tobytes()
    there = np.array([make.WEST + 800.0 + moved_m]).astype("<f8").tobytes()
    north_too = np.array([make.SOUTH + 800.0 + moved_m]).astype("<f8").tobytes()
    assert data.count(east + north) >= 1
    at = data.rindex(east + north)  # the points follow the boxes
    path.write_bytes(data[:at] + there + north_too + data[at + 16 :])
    assert code in codes(audit_file(path=path))


@pytest.mark.parametrize(("encoding", "cpg", "said"), [
    ("utf-8", "UTF-8", False), ("utf-8", None, False), ("utf-8", "1252", True),
    ("cp1252", "1252", False), ("cp1252", None, True), ("cp1252", "UTF-8", True),
    ("cp852", "852", False), ("iso8859-2", "ISO 8859-2", False),
])
def test_s25_texts_of_any_encoding_are_no_fault(
    *, tmp_path: Path, encoding: str, cpg: str | None, said: bool
) -> None:
    path = two_zones(tmp_path / "z", encoding=encoding, names=("zone Bäch", "zone Süd"))
    data = path.with_suffix(".dbf").read_bytes()
    path.with_suffix(".dbf").write_bytes(data[:29] + b"\0" + data[30:])
    path.with_suffix(".cpg").unlink(missing_ok=True)
    if cpg:
        path.with_suffix(".cpg").write_text(cpg)
    result = audit_file(path=path)
    assert result.agrees, result.faults
    assert ("audit-encoding" in codes(result)) is said
    assert total(result) == (pytest.approx(150 * HALF_HA * 10_000 / make.ACRE_M2, rel=1e-6), "lb")


def test_s28_s30_parts_in_any_case_belong_together(tmp_path: Path) -> None:
    whole = two_zones(tmp_path / "z")
    want = total(audit_file(path=whole))
    shapes = {
        "upper": lambda name: name.upper(), "one": lambda name: name.replace("z.dbf", "Z.DBF"),
        "folder": lambda name: f"Fläche #1!/{name}", "backslash": lambda name: f"a\\{name}",
    }
    for how, called in shapes.items():
        path = tmp_path / f"{how}.zip"
        with zipfile.ZipFile(path, "w") as archive:
            for part in sorted(whole.parent.iterdir()):
                archive.write(part, called(part.name))
        result = audit_file(path=path)
        assert result.agrees, (how, result.faults)
        assert total(result) == want
    whole.with_suffix(".dbf").rename(whole.with_name("Z.DBF"))
    assert total(audit_file(path=whole)) == want


def test_s30_a_zip_of_json_and_one_of_a_layer_with_notes(tmp_path: Path) -> None:
    made = make.geojson(tmp_path / "z.json", make.polygon(make.box()), properties=[{"GPA": 10}])
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.write(made, "rates.JSON")
    assert total(audit_file(path=tmp_path / "a.zip"))[1] == "gal"
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        archive.write(made, "rates.geojson")
        archive.writestr("notes.json", "{}")
    assert total(audit_file(path=tmp_path / "b.zip"))[1] == "gal"


def test_s25_columns_that_differ_in_case_are_doubted(tmp_path: Path) -> None:
    path = make.geojson(tmp_path / "z.geojson", make.polygon(make.box()),
                        properties=[{"GPA": 10, "Gpa": 3}])
    assert "audit-column-twice" in codes(audit_file(path=path))


@pytest.mark.parametrize("name", [
    "Größe Ñ", "日本語", "#1!", "a!b.zip", "new\nline", "tab\tx", "x%20y", "[br]", "a;b",
])
def test_s29_exports_into_folders_of_any_name(field: Field, tmp_path: Path, name: str) -> None:
    zones = make.strips_of(field, 2)
    layer = build_set(field=field, zones=zones, prescription=make.prescribed(zones, [100.0, 0.0]))
    folder = tmp_path / name
    write_formats(meant=layer, formats=["shapefile", "geojson"], folder=folder)
    assert sorted(one.name for one in folder.iterdir()) == [
        "prescription.geojson", "prescription_columns.txt", "prescription_shapefile.zip",
        "shapefile"]
    assert sorted(one.suffix for one in (folder / "shapefile").iterdir()) == [
        ".cpg", ".dbf", ".prj", ".shp", ".shx"]


def test_s29_two_exports_at_once_never_mix(field: Field, tmp_path: Path) -> None:
    zones = make.strips_of(field, 2)
    layers = [build_set(field=field, zones=zones, prescription=make.prescribed(zones, rates))
                for rates in ([100.0, 50.0], [7.0, 9.0])]
    for attempt in range(6):
        folder, said = tmp_path / str(attempt), []

        def write(which: int, folder: Path = folder, said: list[str] = said) -> None:
            try:
                write_formats(meant=layers[which], formats=["shapefile", "geojson"], folder=folder)
                said.append("written")
            except ExportError as err:
                said.append(err.code)

        threads = [threading.Thread(target=write, args=(k,)) for k in (0, 1)]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        assert "written" in said
        assert set(said) <= {"written", "export-locked", "export-exists"}
        features = json.loads((folder / "prescription.geojson").read_text())["features"]
        with shapefile.Reader(str(folder / "shapefile" / "prescription.shp")) as reader:
            assert [one["P1_KCL_LB"] for one in reader.records()] == [
                one["properties"]["P1_KCL_LB"] for one in features]
        assert not [one for one in folder.iterdir() if one.name.startswith(".")]


def test_s29_half_a_set_moved_in_is_taken_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch, folder = tmp_path / "s", tmp_path / "f"
    (scratch / "shapefile").mkdir(parents=True)
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    for name in ("a.geojson", "shapefile/z.shp", "z.zip"):
        (scratch / name).write_text("x")
    real = __import__("os").replace

    def fails_late(one: Path, other: Path) -> None:
        if Path(one).name == "z.zip":
            raise OSError(28, "No space left on device")
        real(one, other)

    monkeypatch.setattr("vrx.export.write.os.replace", fails_late)
    with pytest.raises(OSError, match="No space"):
        _move_in(scratch, folder)
    assert [one.name for one in folder.iterdir()] == ["mine.txt"]


def test_s31_values_that_arithmetic_cannot_carry_stop() -> None:
    from vrx.errors import ComputeError
    from vrx.model import Grid
    from vrx.surfaces import map_analyte

    places = np.array([(100 + 200 * c, 100 + 200 * r) for r in range(4) for c in range(4)], float)
    grid = Grid(west_m=0.0, north_m=800.0, cell_m=40.0, rows=20, columns=20)
    for size in (1e160, 1e307, np.inf, np.nan):
        with pytest.raises(ComputeError) as caught:
            map_analyte(analyte="k_ppm", unit="ppm", places=places, grid=grid,
                        values=np.linspace(0.5, 1.0, 16) * size)
        assert caught.value.code == "surface-not-finite"


@pytest.mark.parametrize("spread_m", [0.0, 0.001])
def test_s40_a_logger_that_stood_does_not_fill_the_memory(spread_m: float) -> None:
    # 60,000 readings at one place make 1.8e9 pairs: 29 GB of them. Their mean counts once.
    from vrx.model import Grid
    from vrx.surfaces import map_analyte

    rng = np.random.default_rng(7)
    still = rng.normal(0, 1, (60_000, 2)) * spread_m + 100.0
    others = [(700.0, 700.0), (700.0, 100.0), (100.0, 700.0), (400.0, 400.0)]
    surface = map_analyte(
        analyte="eca", unit="mS/m", places=np.vstack([still, others]), method="field mean",
        values=np.concatenate([np.full(60_000, 10.0), [20.0, 30.0, 40.0, 50.0]]),
        grid=Grid(west_m=0.0, north_m=800.0, cell_m=40.0, rows=20, columns=20))
    assert surface.values == pytest.approx(np.full((20, 20), 30.0))  # mean of 10 20 30 40 50
    (merged,) = (one for one in surface.findings if one.code == "surface-merged")
    assert len(merged.what) < 400
