"""A file that holds a prescription → its layers in degrees on WGS 84, by readers of our own."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from vrx.audit import (
    _crs,
    _geojson,
    _geopackage,
    _geoparquet,
    _raster,
    _shapefile,
    _sources,
    _task,
)
from vrx.audit._layers import Layer
from vrx.audit._ledger import Ledger
from vrx.errors import InputError
from vrx.formats import geopackage as geopackage_facts
from vrx.formats import task_data as task_facts

KNOWN = ("a shapefile (.shp), a zip of one, GeoJSON, GeoPackage (.gpkg), GeoParquet (.parquet), "
         "GeoTIFF (.tif) of rates, or the TASKDATA folder of a machine")


def open_layers(path: Path, ledger: Ledger, *, layer: str | None = None) -> list[Layer]:
    """All layers of a file or task folder; [] with faults where it cannot be read.

    `layer` names one of a GeoPackage that holds several. Raises `InputError` for a path that does
    not exist, a kind of file that is not known, and a container of several layers.
    """
    home = _task.folder_of(path)
    if home is not None:
        return _task.read(home, path.name or home.name, ledger)
    require_file(path)
    kind = path.suffix.lower()
    if kind == ".shp":
        made = _sources.read_shapefile(path, path.name, ledger)
        return _listed(_placed(made, _sources.loose_parts(path).get(".prj"), ledger))
    if kind == ".zip":
        return _read_zip(path, ledger)
    if kind in {".geojson", ".json"}:
        made = _geojson.read(_sources.sized_bytes(path), path.name, ledger, strict=False)
        return _listed(_degrees_only(made, ledger))
    return _read_other(path, kind, layer, ledger)


def _read_other(path: Path, kind: str, layer: str | None, ledger: Ledger) -> list[Layer]:
    if kind == ".gpkg":
        made, system = _geopackage.read(path, path.name, ledger, table=layer)
        return _listed(_in_system(made, system, path.name, ledger))
    if kind == ".parquet":
        made, system = _geoparquet.read(_sources.sized_bytes(path), path.name, ledger)
        return _listed(_in_system(made, system, path.name, ledger))
    if kind in {".tif", ".tiff"}:
        raster = _raster.read(_sources.sized_bytes(path), path.name, ledger)
        return [] if raster is None else [_raster.layer_of(raster, ledger)]
    raise InputError(
        f"{kind or 'no ending'} is no kind of file that can be audited", code="audit-file-kind",
        where=str(path), hint=f"give {KNOWN}",
    )


def open_boundary(path: Path, ledger: Ledger) -> Layer | None:
    """The boundary's polygons in degrees. Raises `InputError` as `open_layers` does."""
    if path.suffix.lower() == ".gpkg":
        require_file(path)
        made, system = _geopackage.read(
            path, path.name, ledger, prefer=geopackage_facts.BOUNDARY)
        return _in_system(made, system, path.name, ledger)
    found = open_layers(path, ledger)
    if len(found) > 1 or any(one.gridded for one in found):
        raise InputError("is no boundary of a field", code="audit-file-kind", where=str(path),
                         hint="give a file of polygons")
    return found[0] if found else None


def require_file(path: Path) -> None:
    """Raise `InputError` for what is no file, or cannot be reached."""
    try:
        there = path.is_file()
    except OSError as err:  # a folder that is closed, a name longer than the system takes
        raise InputError(
            f"cannot be read: {err.strerror or err}", code="audit-unreadable", where=str(path),
            hint="give yourself the right to read it, or mend its name",
        ) from err
    if not there:
        raise InputError(
            "is no file", code="audit-no-file", where=str(path),
            hint=f"name {KNOWN}; a run folder is audited as a whole",
        )


def _listed(layer: Layer | None) -> list[Layer]:
    return [] if layer is None else [layer]


def _read_zip(path: Path, ledger: Ledger) -> list[Layer]:
    held = _sources.packed(_sources.sized_bytes(path), path.name, ledger)
    if held is None:
        return []
    if any(PurePosixPath(one).name == task_facts.RECORD for one in held.members):
        return _task.read_members(held.members, path.name, ledger)
    stems = held.stems(".shp")
    others = held.named(".geojson")
    if not stems and not others:
        # Beside a layer a .json is some other program's note.
        others = held.named(".json")
    if len(stems) + len(others) > 1:
        raise InputError(
            f"holds several layers: {', '.join([*stems, *others])}", code="audit-several-layers",
            where=str(path), hint="unpack it and name one of them",
        )
    if others:
        name, data = f"{path.name}/{others[0]}", held.members[others[0]]
        return _listed(_degrees_only(_geojson.read(data, name, ledger, strict=False), ledger))
    if not stems:
        ledger.fault("empty", path.name, "holds neither a shapefile nor GeoJSON nor task data")
        return []
    parts = held.parts(stems[0])
    name = f"{path.name}/{stems[0]}.shp"
    layer = _shapefile.read(parts, name, ledger)
    if layer is not None:
        _sources.second_look(parts, name, layer, ledger)
    return _listed(_placed(layer, parts.get(".prj"), ledger))


def _placed(layer: Layer | None, prj: bytes | None, ledger: Ledger) -> Layer | None:
    """A shapefile in degrees on WGS 84; None with a fault where its CRS is not known."""
    if layer is None:
        return None
    where = layer.name.removesuffix(".shp") + ".prj"
    if prj is None:
        ledger.fault(
            "crs-missing", where, "is missing: where the polygons lie and their acres are not "
            "known", todo="get the .prj from whoever made the file",
        )
        return None
    return _in_system(layer, prj.decode("utf-8", errors="replace"), where, ledger)


def _in_system(layer: Layer | None, text: str | None, where: str, ledger: Ledger) -> Layer | None:
    """The layer in degrees on WGS 84, `text` being WKT or PROJJSON of the system it is in."""
    if layer is None:
        return None
    if text is None:
        ledger.fault(
            "crs-missing", where, "states no coordinate system: where the polygons lie and their "
            "acres are not known", todo="export it again with its coordinate system",
        )
        return None
    reference = _crs.judge(text)
    if reference.kind == "wgs84":
        return _degrees_only(layer, ledger)
    if reference.kind == "unknown":
        ledger.fault("crs-wrong", where, "names no coordinate system that is known")
        return None
    try:
        moved = _crs.to_degrees(layer, reference)
    except ValueError as err:
        ledger.fault("crs-wrong", where, f"{reference.name}: cannot be transformed: {err}")
        return None
    ledger.doubt(
        "crs-not-wgs84", where, f"is in {reference.name}; transformed to WGS 84 for the audit",
        todo="simple rate controllers take WGS 84 longitude and latitude only",
    )
    return _degrees_only(moved, ledger)


def _degrees_only(layer: Layer | None, ledger: Ledger) -> Layer | None:
    if layer is None:
        return None
    for record in layer.records:
        for ring in record.rings:
            if (abs(ring[:, 0]) > 180).any() or (abs(ring[:, 1]) > 90).any():
                ledger.fault(
                    "place", f"{layer.name}, {record.name}",
                    f"{ring[0, 0]:g}, {ring[0, 1]:g} is no longitude and latitude",
                    todo="projected coordinates, or longitude and latitude swapped",
                )
                return None
    return layer
