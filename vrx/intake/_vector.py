"""Which layer of a vector file is meant, and its features. Several candidates stop."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pyproj
from pyproj.exceptions import CRSError

from vrx.errors import InputError
from vrx.intake._curves import arc_findings, read_with_arcs
from vrx.intake._files import GEOJSON_SUFFIXES, SHAPEFILE_PARTS, Part, nested_zips, parts_of
from vrx.intake._geojson import read_geojson
from vrx.intake._kml import kml_texts, read_kml
from vrx.intake._shape import Feature, Layer, shape_of
from vrx.intake._shapefile import header_kind, read_shapefile

LAYER_SUFFIXES = (".shp", ".dbf", *GEOJSON_SUFFIXES, ".gpkg", ".kml", ".kmz")
VECTOR_SUFFIXES = (".shp", *GEOJSON_SUFFIXES, ".gpkg", ".kml", ".kmz", ".zip")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A layer that could be read: `kind` is what its header or its features say."""

    file: str
    name: str
    kind: str
    load: Callable[[], Layer]


def is_vector(path: Path) -> bool:
    """True if a path names a vector file by its suffix (or is a zip or a folder)."""
    return path.suffix.lower() in (*VECTOR_SUFFIXES, *SHAPEFILE_PARTS) or path.is_dir()


def _kin(parts: tuple[Part, ...]) -> list[dict[str, Part]]:
    """Parts of shapefiles by suffix, one dictionary each; names agree in any case.

    Where a suffix occurs twice in a group, only names that agree to the letter belong together.
    """
    loose: dict[tuple[str, str], list[Part]] = {}
    for part in parts:
        if part.suffix in SHAPEFILE_PARTS:
            loose.setdefault((part.folder, part.stem.casefold()), []).append(part)
    groups = []
    for some in loose.values():
        strict: dict[str, list[Part]] = {}
        if len({part.suffix for part in some}) == len(some):
            strict[""] = some
        else:
            for part in some:
                strict.setdefault(part.stem, []).append(part)
        for own in strict.values():
            group = {part.suffix: part for part in own}
            if len(group) < len(own):
                raise InputError(
                    "two files differ in the case of their names only: "
                    + ", ".join(sorted(part.name for part in own)), code="shapefile-same-name",
                    where=own[0].name, hint="give each shapefile a name or a folder of its own")
            groups.append(group)
    return groups


def _shapefiles(parts: tuple[Part, ...]) -> list[Candidate]:
    groups = _kin(parts)
    found = []
    for group in groups:
        any_part = group.get(".shp") or group.get(".dbf")
        if any_part is None:
            continue
        kind = header_kind(group[".shp"]) if ".shp" in group else "none"
        found.append(Candidate(
            file=any_part.name, name=any_part.stem, kind=kind,
            load=partial(read_shapefile, any_part.stem, group)))
    return found


def _geojsons(parts: tuple[Part, ...]) -> list[Candidate]:
    found = []
    for part in parts:
        if part.suffix in GEOJSON_SUFFIXES:
            try:
                layer = read_geojson(part.read(), file=part.name, name=part.stem)
            except InputError:
                if part.suffix == ".json" and len(parts) > 1:
                    continue  # a stranger beside the layer, such as a settings file
                raise
            found.append(Candidate(file=part.name, name=part.stem, kind=layer.kind,
                                   load=partial(_same, layer)))
    return found


def _kmls(parts: tuple[Part, ...]) -> list[Candidate]:
    texts = [t for part in parts if part.suffix in {".kml", ".kmz"} for t in kml_texts(part)]
    layers = [layer for file, name, data in texts for layer in read_kml(data, file=file, name=name)]
    return [Candidate(file=layer.file, name=layer.name, kind=layer.kind,
                      load=partial(_same, layer)) for layer in layers]


def _same(layer: Layer) -> Layer:
    return layer


def _database_kind(geometry_type: object) -> str:
    text = str(geometry_type or "")
    for kind in ("Polygon", "Line", "Point"):
        if kind in text:
            return kind.lower()
    if text.replace("Multi", "").split(" ")[0] in {"Surface", "PolyhedralSurface", "Tin", "TIN",
                                                   "Triangle"}:
        return "polygon"
    if "Curve" in text or "CircularString" in text:
        return "line"
    return "polygon" if text.rsplit(" ", maxsplit=1)[-1] in {"Unknown", "Geometry"} or (
        "GeometryCollection" in text) else "none"


def _unreadable(name: str, err: Exception) -> InputError:
    # Without the private folder's name.
    why = re.sub(r"\S*/vrx-\w+/layer(\.\w+)", r"the file", str(err))
    return InputError(f"cannot be read: {why}", code="file-unreadable", where=name,
                      hint="open and save it again, or export it as GeoJSON")


def _databases(parts: tuple[Part, ...]) -> list[Candidate]:
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    found = []
    for part in parts:
        if part.suffix != ".gpkg":
            continue
        with _on_disk(part) as path:
            try:
                names = pyogrio.list_layers(path)
            except (DataSourceError, DataLayerError, UnicodeError) as err:
                raise _unreadable(part.name, err) from err
        found += [
            Candidate(file=part.name, name=str(name), kind=_database_kind(kind),
                      load=partial(_read_database, part, str(name)))
            for name, kind in names
        ]
    return found


_COMPANIONS = ("-wal", "-journal")


def _in_use(path: Path) -> bool:
    """True for a database with a log beside it, or whose header asks for one (SQLite format)."""
    with path.open("rb") as stream:
        wal = stream.read(20)[18:20] == b"\x02\x02"
    return wal or any(os.path.exists(f"{path}{more}") for more in _COMPANIONS)


class _on_disk:  # noqa: N801 - a context manager
    """A path to a part in a private folder: a link, or a zip member that is removed again.

    Never the user's own path: in a name, "!", ";" or "://" would be read as parts of an address.
    """

    def __init__(self, part: Part) -> None:
        self.part = part
        self.folder: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> Path:
        self.folder = tempfile.TemporaryDirectory(prefix="vrx-")
        try:
            return self._made()
        except OSError as err:
            self.folder.cleanup()
            raise _unreadable(self.part.name, err) from err
        except InputError:
            self.folder.cleanup()
            raise

    def _made(self) -> Path:
        assert self.folder is not None  # noqa: S101 - made by the caller
        path = Path(self.folder.name) / f"layer{self.part.suffix}"
        own = self.part.path
        if self.part.member:
            path.write_bytes(self.part.read())
        elif _in_use(own):
            # Beside a database in use even a reader leaves files or mends it: not in the user's
            # folder.
            for more in ("", *_COMPANIONS):
                if os.path.isfile(f"{own}{more}"):
                    shutil.copyfile(f"{own}{more}", f"{path}{more}")
        else:
            path.symlink_to(self.part.path.resolve())
        return path

    def __exit__(self, *_: object) -> None:
        if self.folder is not None:
            self.folder.cleanup()


def _read_database(part: Part, name: str) -> Layer:
    import shapely
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

    with _on_disk(part) as path:
        try:
            meta, blobs, values, curved = read_with_arcs(path, layer=name)
        except (DataSourceError, DataLayerError, FeatureError, UnicodeError) as err:
            # UnicodeError: text in the database, or a path, that is no UTF-8.
            raise _unreadable(part.name, err) from err
    columns = tuple(str(column) for column in meta["fields"])
    crs, fault = None, None
    try:
        crs = _database_crs(meta.get("crs"), part.name)
    except InputError as err:
        fault = err
    features = []
    for number, blob in enumerate(blobs, 1):
        where = f"{part.name} layer {name} record {number}"
        try:
            shape = shape_of(shapely.from_wkb(blob) if blob is not None else None)
        except (shapely.errors.ShapelyError, ValueError) as err:
            raise _unreadable(where, err) from err
        row = {c: _plain(values[k][number - 1]) for k, c in enumerate(columns)}
        features.append(Feature(record=number, properties=row, shape=shape))
    return Layer(file=part.name, name=name, crs=crs, columns=columns, features=tuple(features),
                 crs_fault=fault,
                 findings=tuple(arc_findings(curved, crs, where=f"{part.name} layer {name}")))


def _database_crs(text: str | None, where: str) -> pyproj.CRS | None:
    if not text:
        return None
    try:
        crs = pyproj.CRS.from_user_input(text)
    except CRSError as err:
        raise InputError(f"its coordinate system {text[:40]!r} cannot be read",
                         code="crs-unreadable", where=where,
                         hint="give the CRS in the plan, for example EPSG:32615") from err
    # GeoPackage's "undefined" systems are engineering or all-default ones: no statement at all.
    undefined = crs.is_engineering or crs.name.lower().startswith("undefined")
    return None if undefined else crs


def _plain(value: Any) -> object:
    """A numpy scalar as a Python value; NaN and NaT as None."""
    if value is None or value != value:  # noqa: PLR0124 - NaN and NaT differ from themselves
        return None
    return value.item() if hasattr(value, "item") else value


def candidates(path: Path) -> tuple[Candidate, ...]:
    """Every layer behind a path. Raises `InputError` if it holds none."""
    parts = parts_of(path)
    databases = _databases(parts) if any(p.suffix == ".gpkg" for p in parts) else []
    found = [*_shapefiles(parts), *_geojsons(parts), *databases, *_kmls(parts)]
    if not found:
        raise InputError(
            "holds no shapefile, GeoJSON, GeoPackage or KML", code="file-no-layer",
            where=path.name, hint=nested_zips(parts) or "give a .geojson, .gpkg, .kml, .kmz, .shp "
            "with its kin, or a .zip of one")
    return tuple(found)


def choose_layer(path: Path, *, layer: str | None, kinds: tuple[str, ...]) -> Layer:
    """The layer named, or the only one of the first of `kinds` that occurs. Else `InputError`."""
    found = candidates(path)
    names = "; ".join(f"{c.name!r} ({c.kind})" for c in found)
    if layer is not None:
        fit = [c for c in found if layer in {c.name, c.file}]
        if not fit:
            raise InputError(f"has no layer {layer!r}", code="file-layer-unknown", where=path.name,
                             hint=f"layers: {names}")
    else:
        fit = next((some for kind in kinds if (some := [c for c in found if c.kind == kind])), [])
        if not fit and len(found) == 1:
            fit = list(found)
        if not fit:
            raise InputError(f"has no layer of {kinds[0]}s", code="file-no-layer", where=path.name,
                             hint=f"layers: {names}")
    if len(fit) > 1:
        raise InputError(
            f"holds {len(fit)} layers that could be meant: "
            + "; ".join(f"{c.name!r} ({c.file}, {c.kind})" for c in fit),
            code="file-several-layers", where=path.name,
            hint="name one of them as the layer: boundary_layer in [field], layer in [soil] or "
            "polygons_layer in [zones] of the plan; `vrx new` takes it by option")
    return fit[0].load()
