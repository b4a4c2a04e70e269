"""GDAL and Python's sqlite3 never hold one GeoPackage at the same time.

Both carry an SQLite of their own, whose POSIX locks do not see each other within a process; SQLite,
"How To Corrupt An SQLite Database File", 2.2 "Separate processes editing ... / multiple copies of
SQLite linked into the same application" (from memory): a close in one copy drops the other's locks.
"""

from __future__ import annotations

import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import fiona
import pyogrio
import pyogrio.geopandas
import pyogrio.raw
import pytest
import rasterio
import rasterio.shutil

from vrx.audit import audit_run
from vrx.export import FORMATS
from vrx.pipeline import run_field

SAMPLE = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"
PACKAGE = re.compile(r"[^'\"\s:]+\.gpkg")


class Watch:
    """Which GeoPackages sqlite3 has open, which GDAL is in, and whether the two ever met."""

    def __init__(self) -> None:
        self.open: list[str] = []
        self.inside: list[str] = []
        self.met: list[str] = []
        self.calls = 0
        self.connections = 0

    def connected(self, path: str) -> None:
        self.connections += 1
        self.open.append(path)
        self.met += [f"sqlite3 opened {path} inside GDAL" for one in self.inside if one == path]

    def gdal(self, name: str, call: Callable[..., object]) -> Callable[..., object]:
        def watched(*args: object, **more: object) -> object:
            text = " ".join(str(one) for one in (*args, *more.values())
                            if isinstance(one, str | Path))
            paths = [str(Path(one).resolve()) for one in PACKAGE.findall(text)]
            self.calls += bool(paths)
            self.met += [f"{name} of {one} while sqlite3 has it open" for one in paths
                         if one in self.open]
            self.inside += paths
            try:
                return call(*args, **more)
            finally:
                del self.inside[len(self.inside) - len(paths):]

        return watched


@pytest.fixture
def watch(monkeypatch: pytest.MonkeyPatch) -> Iterator[Watch]:
    seen = Watch()
    real = sqlite3.connect

    class Watched(sqlite3.Connection):
        def __init__(self, path: object, *args: object, **more: object) -> None:
            super().__init__(path, *args, **more)  # type: ignore[arg-type]
            found = re.sub(r"^file:|\?.*$", "", str(path))
            self.path = str(Path(found).resolve())
            seen.connected(self.path)

        def close(self) -> None:
            if self.path in seen.open:
                seen.open.remove(self.path)
            super().close()

    def connect(*args: object, **more: object) -> sqlite3.Connection:
        return real(*args, **{**more, "factory": Watched})  # type: ignore[call-overload]

    monkeypatch.setattr(sqlite3, "connect", connect)
    for module, names in (
        (pyogrio, ("write_dataframe", "read_dataframe", "read_info", "list_layers")),
        (pyogrio.raw, ("read", "write")), (pyogrio.geopandas, ("read", "write")),
        (rasterio, ("open",)), (rasterio.shutil, ("copy",)), (fiona, ("open", "listlayers")),
    ):
        for name in names:
            if hasattr(module, name):
                monkeypatch.setattr(module, name, seen.gdal(name, getattr(module, name)))
    yield seen
    assert seen.open == []


def test_the_watch_sees_the_two_meet(watch: Watch, tmp_path: Path) -> None:
    package = tmp_path / "one.gpkg"
    frame = pyogrio.read_dataframe(SAMPLE / "boundary.geojson")
    pyogrio.write_dataframe(frame, package, driver="GPKG")
    assert watch.met == []
    with closing(sqlite3.connect(package)):
        pyogrio.read_dataframe(package)
    assert watch.met
    watch.met.clear()
    pyogrio.read_dataframe(package)
    assert watch.met == []


def test_a_whole_run_and_its_audit(watch: Watch, tmp_path: Path) -> None:
    field = Path(shutil.copytree(SAMPLE, tmp_path / "bench",
                                 ignore=shutil.ignore_patterns("output")))
    plan = field / "plan.toml"
    # What comes in is a GeoPackage too.
    pyogrio.write_dataframe(pyogrio.read_dataframe(field / "boundary.geojson"),
                            field / "boundary.gpkg", driver="GPKG")
    text = plan.read_text(encoding="utf-8").replace("boundary.geojson", "boundary.gpkg")
    formats = ", ".join(f'"{one}"' for one in FORMATS)
    plan.write_text(re.sub(r"^formats = .*$", f"formats = [{formats}]", text, flags=re.MULTILINE),
                    encoding="utf-8")
    before, begun = watch.calls, watch.connections
    result = run_field(field)
    assert audit_run(folder=result.folder).agrees
    assert watch.met == []
    # Both were at it, or this says nothing: layers, rasters, and the finishing by sqlite3.
    assert watch.calls - before >= 4
    assert watch.connections - begun >= 2
    for path in field.rglob("*.gpkg*"):
        assert path.suffix == ".gpkg", "a journal was left"
    with closing(sqlite3.connect(result.folder / "field.gpkg")) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("PRAGMA journal_mode").fetchone() == ("delete",)
