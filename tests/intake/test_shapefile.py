"""Shapefiles: broken sets are refused before they are read, zips are searched, text is decoded.

Files are written by pyshp. Header layout: Esri Shapefile Technical Description (1998) and dBASE III
as described there; from memory.
"""

from __future__ import annotations

import shutil
import struct
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest

from vrx.errors import InputError
from vrx.intake import input_files, read_boundary, read_polygons
from vrx.model import Field


@pytest.fixture
def good(make: SimpleNamespace, tmp_path: Path) -> Path:
    (tmp_path / "good").mkdir()
    return Path(make.write_shapefile(
        tmp_path / "good" / "field",
        [("Field 1", make.utm_rings((make.west, make.south, 800.0)))]))


def test_the_kin_of_a_shapefile_are_its_input_files(good: Path) -> None:
    names = [path.name for path in input_files(good)]
    assert names == ["field.dbf", "field.prj", "field.shp", "field.shx"]
    assert input_files(good.parent) == input_files(good)
    assert input_files(good.with_suffix(".dbf")) == input_files(good)


def cut(path: Path, keep: int) -> None:
    path.write_bytes(path.read_bytes()[:keep])


@pytest.mark.parametrize(("suffix", "keep", "said"), [
    (".shp", 0, "0 bytes"), (".shp", 120, "header says 236 bytes, file has 120"),
    (".shx", 104, "header says 108 bytes, file has 104"),
    (".dbf", 20, "its header alone takes 32"),
    (".dbf", 90, "header says 1 records (106 bytes), file has 90"),
])
def test_a_cut_file_stops(good: Path, suffix: str, keep: int, said: str) -> None:
    cut(good.with_suffix(suffix), keep)
    with pytest.raises(InputError) as caught:
        read_boundary(path=good, name="F")
    assert caught.value.code == "shapefile-incomplete"
    assert said in str(caught.value)
    assert f"field{suffix}" in str(caught.value)


def test_record_counts_must_agree(good: Path) -> None:
    table = good.with_suffix(".dbf")
    data = bytearray(table.read_bytes())
    data[4:8] = struct.pack("<I", 0)
    table.write_bytes(bytes(data))
    with pytest.raises(InputError, match=r"0 records") as caught:
        read_boundary(path=good, name="F")
    assert len(caught.value.findings) == 2


def test_missing_parts(make: SimpleNamespace, good: Path) -> None:
    before = read_boundary(path=good, name="F")
    good.with_suffix(".shx").unlink()
    field = read_boundary(path=good, name="F")
    assert make.codes(field.findings) == ["shapefile-no-shx"]
    assert field.boundary.equals(before.boundary)
    assert not good.with_suffix(".shx").exists()
    good.with_suffix(".prj").unlink()
    with pytest.raises(InputError, match=r"no \.prj; coordinates 450000…450800") as caught:
        read_boundary(path=good, name="F")
    assert caught.value.code == "crs-missing"
    assert "EPSG:32615" in caught.value.hint
    good.with_suffix(".dbf").unlink()
    with pytest.raises(InputError, match=r"field\.dbf is missing") as caught:
        read_boundary(path=good, name="F")
    assert caught.value.code == "shapefile-no-dbf"


def test_degrees_without_prj_are_taken_with_a_note(make: SimpleNamespace, tmp_path: Path) -> None:
    path = make.write_shapefile(tmp_path / "geo", [("F", [make.square()[::-1]])], prj=False)
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(158.264, rel=2e-4)
    assert make.codes(field.findings) == ["crs-assumed"]


def zipped(good: Path, target: Path, folder: str = "export 2026/Field 7") -> Path:
    with zipfile.ZipFile(target, "w") as archive:
        for path in input_files(good):
            archive.write(path, f"{folder}/{path.name}")
            archive.writestr(f"__MACOSX/{folder}/._{path.name}", "x")
        archive.writestr("export 2026/readme.txt", "hello")
    return target


def test_a_zip_is_searched(make: SimpleNamespace, good: Path, tmp_path: Path) -> None:
    path = zipped(good, tmp_path / "a.zip")
    assert read_boundary(path=path, name="F").area_ac == pytest.approx(158.264, rel=2e-4)
    assert input_files(path) == (path,)
    other = make.write_shapefile(tmp_path / "other",
                                 [("X", make.utm_rings((make.west, make.south, 100.0)))])
    with zipfile.ZipFile(path, "a") as archive:
        for part in input_files(other):
            archive.write(part, f"more/{part.name}")
    with pytest.raises(InputError, match=r"'field'.*'other'") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "file-several-layers"
    assert read_boundary(path=path, name="F", layer="field").area_ac > 158


def test_a_zip_cannot_leave_its_place_or_swell(
    good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("../field.shp", "/etc/field.shp", "a/../../field.shp", "C:/field.shp"):
        path = tmp_path / "slip.zip"
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr(name, "x")
        with pytest.raises(InputError) as caught:
            read_boundary(path=path, name="F")
        assert caught.value.code == "zip-unsafe-path", name
    bomb = zipped(good, tmp_path / "bomb.zip")
    monkeypatch.setattr("vrx.intake._files.MOST_ZIP_BYTES", 500)
    with pytest.raises(InputError) as caught:
        read_boundary(path=bomb, name="F")
    assert caught.value.code == "zip-too-large"


@pytest.mark.parametrize(("written", "cpg", "noted"), [
    ("utf-8", "UTF-8", False), ("utf-8", "1252", True), ("cp1252", "", True),
    ("cp1252", "1252", False), ("latin-1", "ISO-8859-1", False),
])
def test_accents_in_a_table(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, written: str, cpg: str, noted: bool
) -> None:
    names = ["Böschung Süd", "Größe Ñandú"]
    records = [
        (name, make.utm_rings((make.west + 400 * k, make.south, 400.0)))
        for k, name in enumerate(names)
    ]
    path = make.write_shapefile(tmp_path / "z", records)
    table = path.with_suffix(".dbf")
    data = table.read_bytes()
    for name in names:
        wide = name.encode("utf-8")
        data = data.replace(wide.ljust(40), name.encode(written).ljust(40))
    table.write_bytes(data[:29] + b"\x00" + data[30:])
    path.with_suffix(".cpg").unlink(missing_ok=True)
    if cpg:
        path.with_suffix(".cpg").write_text(cpg)
    _, labels, findings = read_polygons(path=path, field=field, label_column="NAME")
    assert labels == tuple(names)
    assert ("shapefile-encoding" in make.codes(findings)) is noted


def test_own_polygons_come_with_labels_in_the_field_crs(
    *, make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    empty = {"type": "Polygon", "coordinates": []}
    half = [make.lonlat(make.west + e, make.south + n)
            for e, n in ((0, 0), (400, 0), (400, 800), (0, 800))]
    path = make.geojson(tmp_path / "z.geojson", make.polygon([*half, half[0]]), empty,
                        names=("A", "B"))
    polygons, labels, findings = read_polygons(path=path, field=field, label_column="name")
    assert labels == ("A",)
    assert polygons[0].area == pytest.approx(field.boundary.area / 2, rel=1e-3)
    assert [(f.code, "B" in f.what) for f in findings] == [("polygons-no-area", True)]
    with pytest.raises(InputError, match="did you mean 'name'") as caught:
        read_polygons(path=path, field=field, label_column="nmae")
    assert caught.value.code == "polygons-column-unknown"
    far = make.geojson(tmp_path / "far.geojson", make.polygon(make.square(make.west + 9000)))
    with pytest.raises(InputError) as caught:
        read_polygons(path=far, field=field)
    assert caught.value.code == "polygons-outside"


def test_a_folder_with_one_shapefile_may_stand_for_it(good: Path, tmp_path: Path) -> None:
    copy = tmp_path / "card"
    shutil.copytree(good.parent, copy)
    (copy / "notes.txt").write_text("hello")
    assert read_boundary(path=copy, name="F").area_ac == pytest.approx(158.264, rel=2e-4)


@pytest.mark.parametrize(("first", "second", "alike"), [
    ("North", "NORTH", True), ("1", "1.0", True), ("7", "07", True), ("N-1", "N 1", True),
    ("North", "South", False), ("1", "10", False)])
def test_labels_that_differ_in_spelling_only_are_told(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, first: str, second: str, alike: bool
) -> None:
    halves = []
    for west in (0, 400):
        ring = [make.lonlat(make.west + west + e, make.south + n)
                for e, n in ((0, 0), (400, 0), (400, 800), (0, 800))]
        halves.append(make.polygon([*ring, ring[0]]))
    path = make.geojson(tmp_path / "z.geojson", *halves, names=(first, second))
    _, labels, findings = read_polygons(path=path, field=field)
    assert labels == (first, second)
    said = [f.what for f in findings if f.code == "polygons-labels-alike"]
    assert bool(said) is alike
    assert not alike or (repr(first) in said[0] and repr(second) in said[0])
