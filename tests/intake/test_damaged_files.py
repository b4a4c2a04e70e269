"""Damaged bytes give an InputError or a value, never another exception."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import input_files, peek_boundary, peek_table, read_boundary, read_soil
from vrx.model import Field

DAMAGE = st.lists(
    st.tuples(st.sampled_from(["set", "cut", "repeat"]), st.floats(0, 1, exclude_max=True),
              st.integers(0, 255)),
    min_size=1, max_size=4)


def damaged(data: bytes, damage: list[tuple[str, float, int]]) -> bytes:
    out = bytearray(data)
    for how, share, value in damage:
        at = int(share * len(out))
        if how == "set" and out:
            out[at] = value
        elif how == "cut":
            del out[at:]
        else:
            out[at:at] = out[at : at + value % 20]
    return bytes(out)


@pytest.fixture(scope="module")
def files(make: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = Path(tmp_path_factory.mktemp("whole"))
    make.geojson(folder / "a.geojson", make.polygon(make.square()))
    shp = make.write_shapefile(folder / "b",
                               [("F", make.utm_rings((make.west, make.south, 800.0)))])
    with zipfile.ZipFile(folder / "c.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in input_files(shp):
            archive.write(path, path.name)
    make.write_csv(folder / "d.csv", make.sample_rows())
    return folder


@pytest.mark.parametrize("name", ["a.geojson", "b.shp", "b.shx", "b.dbf", "b.prj", "c.zip"])
@given(damage=DAMAGE)
@settings(derandomize=True, max_examples=25, deadline=None)
def test_boundaries(
    *, files: Path, tmp_path_factory: pytest.TempPathFactory, name: str,
    damage: list[tuple[str, float, int]],
) -> None:
    folder = Path(tmp_path_factory.mktemp("x"))
    for path in files.glob(f"{name[0]}.*"):
        shutil.copy(path, folder)
    (folder / name).write_bytes(damaged((files / name).read_bytes(), damage))
    path = folder / ("b.shp" if name[0] == "b" else name)
    try:
        field = read_boundary(path=path, name="F", several="join", inside_polygons="keep")
    except InputError as err:
        assert err.code  # noqa: PT017 - both outcomes are right
    else:
        assert field.boundary.is_valid
        assert field.area_ac > 0
        assert peek_boundary(path).layers


@given(damage=DAMAGE)
@settings(derandomize=True, max_examples=40, deadline=None)
def test_tables(
    *, make: SimpleNamespace, field: Field, files: Path,
    tmp_path_factory: pytest.TempPathFactory, damage: list[tuple[str, float, int]],
) -> None:
    path = Path(tmp_path_factory.mktemp("y")) / "d.csv"
    path.write_bytes(damaged((files / "d.csv").read_bytes(), damage))
    try:
        soil = read_soil(path=path, field=field, spec=make.soil_spec())
    except InputError as err:
        assert err.code  # noqa: PT017 - both outcomes are right
    else:
        assert len(soil.sample_id) == len(soil.easting_m) > 0
        assert peek_table(path).rows > 0


def test_a_file_without_permission_is_not_called_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from vrx.intake._files import parts_of

    path = tmp_path / "soil.csv"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    part = parts_of(path)[0]

    def refuse(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(InputError, match="no permission") as caught:
        part.read()
    assert caught.value.code == "file-unreadable"
    assert "right to read" in caught.value.hint
