"""Bytes of a layer from a folder or a zip, and the second look with fiona."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from vrx.audit import _dbase, _layers, _shapefile
from vrx.audit._layers import Layer
from vrx.audit._ledger import Ledger
from vrx.errors import InputError
from vrx.formats import layer as facts
from vrx.model.audit import AuditedFile

_MOST_BYTES = 1_000_000_000
_BOMB_BYTES = 64 << 20
_BOMB_RATIO = 200
# What zipfile lets through when an archive is damaged.
_ZIP_FAULTS = (OSError, EOFError, RuntimeError, ValueError, LookupError, OverflowError,
               struct.error, zipfile.BadZipFile, zlib.error)


def sized_bytes(path: Path) -> bytes:
    """All bytes of a file. Raises `InputError` for one too large to be a prescription, unread."""
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= _MOST_BYTES else b""
    except OSError as err:
        raise InputError(f"cannot be read: {err.strerror or err}", code="audit-unreadable",
                         where=str(path), hint="give yourself the right to read it, or copy it "
                         "again") from err
    if size > _MOST_BYTES:
        raise InputError(
            f"has {size:,} bytes; at most {_MOST_BYTES:,} are read", code="audit-file-too-large",
            where=str(path), hint="a prescription of one field is far smaller: name that file",
        )
    return data


def hashed(path: Path, name: str) -> AuditedFile:
    """A file by name, SHA-256 and size."""
    data = sized_bytes(path)
    return AuditedFile(path=name, sha256=hashlib.sha256(data).hexdigest(), bytes=len(data),
                       source=str(path.absolute()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """The members of a zip: full name in the archive and bytes."""

    members: Mapping[str, bytes]

    def named(self, suffix: str) -> list[str]:
        """Members of a suffix in either case, sorted."""
        return sorted(name for name in self.members if name.lower().endswith(suffix))

    def stems(self, suffix: str) -> list[str]:
        """Members of a suffix, without it, sorted."""
        return [name[: -len(suffix)] for name in self.named(suffix)]

    def parts(self, stem: str) -> dict[str, bytes]:
        """The parts of one shapefile by lower-case suffix, whatever the case of their names.

        Of two that differ in case only, the one spelt like `stem` is taken.
        """
        found: dict[str, bytes] = {}
        for name in sorted(self.members, key=lambda one: one.startswith(f"{stem}.")):
            suffix = PurePosixPath(name).suffix
            if name[: -len(suffix) or None].casefold() == stem.casefold():
                found[suffix.lower()] = self.members[name]
        return found


def loose_parts(path: Path) -> dict[str, bytes]:
    """The parts of the shapefile at `path` (.shp), by lower-case suffix; absent ones left out.

    Names may differ in case; of two that do so only, the one spelt like `path` is taken.
    """
    found: dict[str, bytes] = {}
    try:
        beside = sorted(path.parent.iterdir())
    except OSError:
        return found
    for one in beside:
        own = one.stem.casefold() == path.stem.casefold()
        if own and one.suffix.lower() in facts.SHAPEFILE_PARTS and os.path.isfile(one) and (
                one.stem == path.stem or one.suffix.lower() not in found):
            found[one.suffix.lower()] = sized_bytes(one)
    return found


def packed(data: bytes, name: str, ledger: Ledger) -> Packed | None:
    """The members of a zip, dot files and resource forks left out; None with a fault if broken."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            infos = [one for one in archive.infolist() if not one.is_dir()]
            size = sum(one.file_size for one in infos)
            if size > _MOST_BYTES:
                ledger.fault("unreadable", name, f"holds {size} bytes unpacked: too large")
                return None
            if any(_unsafe(one, name, ledger) for one in infos):
                return None
            members: dict[str, bytes] = {}
            for one in infos:
                path = PurePosixPath(one.filename)
                if "__MACOSX" in path.parts or path.name.startswith("."):
                    continue
                if one.filename in members:
                    ledger.fault("zip-content", f"{name}, {one.filename}", "stands twice")
                members[one.filename] = _member(archive, one)
    except _ZIP_FAULTS as err:
        ledger.fault(
            "unreadable", name, f"is no whole zip file: {err}", todo="copy or export it again"
        )
        return None
    return Packed(members=members)


def _unsafe(info: zipfile.ZipInfo, name: str, ledger: Ledger) -> bool:
    """True with a fault for a bomb, a link or a path that leaves the archive."""
    path = PurePosixPath(info.filename.replace("\\", "/"))
    what = ""
    if path.is_absolute() or ".." in path.parts or ":" in "".join(path.parts[:1]):
        what = "is a path that leaves the archive"
    elif stat.S_ISLNK(info.external_attr >> 16):
        what = "is a link to another place"
    elif info.file_size > max(_BOMB_BYTES, _BOMB_RATIO * info.compress_size):
        what = f"unpacks from {info.compress_size} bytes to {info.file_size}: a bomb"
    if what:
        ledger.fault("unreadable", f"{name}, {info.filename}", what, todo="make the zip again")
    return bool(what)


def _member(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """A member, never more of it than the archive states (`ZipFile.read` cuts it afterwards)."""
    if info.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
        raise zipfile.BadZipFile(f"{info.filename!r} is not packed by deflate")
    with archive.open(info) as stream:
        data = stream.read(info.file_size)
        stream.read(1)  # compares the checksum
    if len(data) != info.file_size:
        raise zipfile.BadZipFile(f"{info.filename!r} is shorter than the archive says")
    return data


def second_look(parts: Mapping[str, bytes], name: str, first: Layer, ledger: Ledger) -> None:
    """Read the same bytes with fiona (its own GDAL) and hold them against what pyshp read.

    From a copy under a plain name: "!" or "#" in a path would be read as part of an address, and
    parts whose names differ in case would not be found.
    """
    import fiona
    from fiona.errors import FionaError

    try:
        with tempfile.TemporaryDirectory(prefix="vrx-") as folder:
            for suffix, data in parts.items():
                if suffix in facts.SHAPEFILE_PARTS and suffix != ".cpg":
                    (Path(folder) / f"layer{suffix}").write_bytes(data)
            encoding = _dbase.encoding(parts, name, Ledger())
            with fiona.open(Path(folder) / "layer.shp", encoding=encoding) as opened:
                seen = [
                    (dict(one.properties), _fiona_parts(one.geometry)) for one in opened
                ]
    except (FionaError, ValueError, OSError, SystemError) as err:
        # SystemError: fiona's own log of a fault stumbles over bytes that are no UTF-8.
        ledger.fault("second-reader", name, f"a second reader cannot open it: {err}")
        return
    where = f"{name}, second reader"
    if not ledger.figure(
        "records", where, "", found=len(seen), expected=len(first.records), within=0
    ):
        return
    worst = 0.0
    for record, (values, rings) in zip(first.records, seen, strict=True):
        again = _layers.make_record(
            place=record.number, values=values, parts=rings, measure=False
        )
        worst = max(worst, _layers.record_difference(record, again))
        for column, value in record.values.items():
            if not _layers.same_value(value, values.get(column)):
                ledger.fault(
                    "readers-differ", f"{name}, {record.name}, column {column}",
                    f"one reader gives {value!r}, another {values.get(column)!r}",
                    todo="what a rate controller makes of it is open; export again",
                )
    ledger.figure(
        "largest vertex difference", where, "deg", found=worst, expected=0.0,
        within=_layers.DEGREE_TOLERANCE,
    )


def _fiona_parts(geometry: object) -> list[_layers.Part]:
    import numpy as np

    kind = getattr(geometry, "type", None)
    if kind not in {"Polygon", "MultiPolygon"}:
        return []
    held = getattr(geometry, "coordinates", [])
    polygons = [held] if kind == "Polygon" else held
    return [
        tuple(np.asarray(ring, dtype=np.float64)[:, :2] for ring in polygon)
        for polygon in polygons
    ]


def read_shapefile(path: Path, name: str, ledger: Ledger) -> Layer | None:
    """A loose shapefile by pyshp, and a second look by fiona."""
    parts = loose_parts(path)
    layer = _shapefile.read(parts, name, ledger)
    if layer is None:
        return None
    odd = [one.name for one in sorted(path.parent.iterdir())
           if one.stem == path.stem and not os.path.isfile(one) and not os.path.isdir(one)]
    if odd:
        ledger.fault("unreadable", name, f"beside it lie what are no files: {', '.join(odd)}",
                     todo="copy or export it again")
    else:
        second_look(parts, name, layer, ledger)
    return layer
