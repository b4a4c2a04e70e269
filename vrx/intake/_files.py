"""Bytes of the user's files, loose, in a folder or in a zip. Nothing is ever unpacked to disk."""

from __future__ import annotations

import difflib
import stat
import struct
import zipfile
import zlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO

from vrx.errors import InputError
from vrx.formats import raster, task_data

SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
GEOJSON_SUFFIXES = (".geojson", ".json", ".geojsonl", ".geojsons", ".geojsonseq", ".ndgeojson",
                    ".ndjson", ".jsonl")
"""One text, one text a line, and text sequences (RFC 8142)."""
MOST_ZIP_FILES = 2000
MOST_ZIP_BYTES = 1 << 30
MOST_FILE_BYTES = 2 << 30
# What zipfile lets through when names, offsets or the packed bytes of an archive are damaged.
ZIP_FAULTS = (OSError, EOFError, RuntimeError, ValueError, LookupError, OverflowError, struct.error,
              zipfile.BadZipFile, zlib.error)
_BOMB_BYTES = 64 << 20
_BOMB_RATIO = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One file as the user knows it: `name` is shown, `folder` and `stem` group its kin."""

    name: str
    folder: str
    stem: str
    suffix: str
    path: Path
    member: str = ""

    def read(self) -> bytes:
        """All bytes. Raises `InputError` if they cannot be read."""
        try:
            if self.member:
                with zipfile.ZipFile(self.path) as archive:
                    return member_bytes(archive, archive.getinfo(self.member), where=self.name)
            require_size(self.path)
            return self.path.read_bytes()
        except PermissionError as err:
            raise _no_permission(self.name) from err
        except InputError:
            raise
        except ZIP_FAULTS as err:
            raise InputError(
                f"cannot be read: {err}", code="file-unreadable", where=self.name,
                hint="copy it again; an encrypted zip must be unpacked first",
            ) from err


def _no_permission(name: str) -> InputError:
    return InputError(
        "may not be read (no permission)", code="file-unreadable", where=name,
        hint="give yourself the right to read it",
    )


def _part(name: str, folder: str, path: Path, member: str = "") -> Part:
    pure = PurePosixPath(name)
    return Part(name=name, folder=folder, stem=pure.stem, suffix=pure.suffix.lower(), path=path,
                member=member)


def require_file(path: Path) -> None:
    """Raise `InputError` with near names if nothing is there."""
    folder = path.parent
    if not path.name:
        raise InputError("is a folder, not a file", code="file-missing", where=str(path.resolve()),
                         hint="name the file, or the folder by its name")
    try:
        if path.exists():
            return
        there = folder.is_dir()
        names = sorted(p.name for p in folder.iterdir()) if there else []
    except PermissionError as err:
        raise _no_permission(path.name) from err
    except OSError:  # a name or path longer than the system takes
        there, names = True, []
    near = difflib.get_close_matches(path.name, names, n=3, cutoff=0.5)
    if not there:
        hint = f"the folder {folder.name!r} does not exist either"
    elif near:
        hint = "did you mean " + " or ".join(repr(name) for name in near) + "?"
    else:
        hint = "check the name and the folder in the plan"
    raise InputError("there is no such file", code="file-missing", where=path.name, hint=hint)


def require_size(path: Path) -> None:
    """Raise `InputError` for a file that is too large to be one field's, before any of it is read.

    A folder is not judged: its files are, when they are read.
    """
    try:
        size = 0 if path.is_dir() else path.stat().st_size
        mode = path.stat().st_mode
    except OSError:
        return  # told where it is read
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise InputError("is a device or a pipe, not a file", code="file-not-regular",
                         where=path.name, hint="save what it gives as a file first")
    if size > MOST_FILE_BYTES:
        raise InputError(
            f"is {size / (1 << 30):.1f} GiB; at most {MOST_FILE_BYTES >> 30} GiB are read",
            code="file-too-large", where=path.name, hint="cut it to the field first",
        )


def member_bytes(archive: zipfile.ZipFile, info: zipfile.ZipInfo, *, where: str) -> bytes:
    """A member of a zip, never more of it than the archive states.

    `ZipFile.read` unpacks all that the packed bytes give and cuts it afterwards.
    Raises `InputError` for a way of packing other than plain and deflate.
    """
    if info.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
        raise InputError(f"{info.filename!r} is packed by method {info.compress_type}, not by "
                         "deflate", code="zip-method", where=where,
                         hint="make the zip again in the plain way, or unpack it")
    with archive.open(info) as stream:
        data = stream.read(info.file_size)
        # At the end the checksum is compared; an empty read is what triggers it.
        stream.read(1)
    if len(data) != info.file_size:
        raise zipfile.BadZipFile(f"{info.filename!r} is shorter than the archive says")
    return data


def _is_zip(path: Path) -> bool:
    return path.suffix.lower() in {".zip", ".kmz"} or (
        path.suffix.lower() not in {".xlsx", ".xlsm"} and zipfile.is_zipfile(path)
    )


def zip_members(source: Path | IO[bytes], *, where: str) -> list[tuple[str, PurePosixPath]]:
    """Names and paths of a zip's files, hidden ones left out, after the checks of `parts_of`."""
    try:
        with zipfile.ZipFile(source) as archive:
            infos = [info for info in archive.infolist() if not info.is_dir()]
    except ZIP_FAULTS as err:
        raise InputError(
            f"is not a readable zip: {err}", code="zip-broken", where=where,
            hint="copy or download it again",
        ) from err
    total = sum(info.file_size for info in infos)
    if len(infos) > MOST_ZIP_FILES or total > MOST_ZIP_BYTES:
        raise InputError(
            f"holds {len(infos)} files of {total} bytes; at most {MOST_ZIP_FILES} files and "
            f"{MOST_ZIP_BYTES} bytes are read", code="zip-too-large", where=where,
            hint="zip only the files of this field",
        )
    name, times = Counter(info.filename for info in infos).most_common(1)[0] if infos else ("", 0)
    if times > 1:
        raise InputError(f"holds {name!r} {times} times", code="file-name-twice", where=where,
                         hint="only the last would be read: make the zip again")
    for info in infos:
        if info.file_size > max(_BOMB_BYTES, _BOMB_RATIO * info.compress_size):
            raise InputError(
                f"holds {info.filename!r}, {info.compress_size} bytes that unpack to "
                f"{info.file_size}", code="zip-bomb", where=where,
                hint="no file of a field packs so well: make the zip again")
    found = []
    for info in sorted(infos, key=lambda i: i.filename):
        pure = PurePosixPath(info.filename.replace("\\", "/"))
        if stat.S_ISLNK(info.external_attr >> 16):
            raise InputError(f"holds {info.filename!r}, a link to another place",
                             code="zip-unsafe-path", where=where,
                             hint="make the zip again with the files themselves")
        if pure.is_absolute() or ".." in pure.parts or ":" in "".join(pure.parts[:1]):
            raise InputError(
                f"holds the path {info.filename!r}, which leaves the archive",
                code="zip-unsafe-path", where=where, hint="make the zip again from its folder",
            )
        if "__MACOSX" in pure.parts or any(step.startswith(".") for step in pure.parts):
            continue
        found.append((info.filename, pure))
    return found


def _zip_parts(path: Path) -> tuple[Part, ...]:
    return tuple(
        _part(pure.name, str(pure.parent), path, member)
        for member, pure in zip_members(path, where=path.name)
    )


def _own_kin(path: Path, kin: list[Path]) -> list[Path]:
    """The parts of one shapefile where another's name differs from it in case only."""
    suffixes = [p.suffix.lower() for p in kin]
    if len(set(suffixes)) == len(suffixes):
        return kin
    return [p for p in kin if p.stem == path.stem]


def parts_of(path: Path) -> tuple[Part, ...]:
    """The files behind a path: a zip's members, a folder's files, a shapefile's kin, or itself.

    Hidden files and `__MACOSX` are left out. Raises `InputError` for a missing file, a broken zip,
    a path that leaves the archive, or one beyond the size limits.
    """
    require_file(path)
    require_size(path)
    try:
        if path.is_dir():
            files = sorted(p for p in path.iterdir() if p.is_file() and p.name[0] != ".")
            return tuple(_part(p.name, "", p) for p in files)
        if _is_zip(path):
            return _zip_parts(path)
        if path.suffix.lower() in SHAPEFILE_PARTS:
            kin = sorted(
                p for p in path.parent.iterdir()
                if p.stem.casefold() == path.stem.casefold() and p.suffix.lower() in SHAPEFILE_PARTS
            )
            return tuple(_part(p.name, "", p) for p in _own_kin(path, kin))
    except PermissionError as err:
        raise _no_permission(path.name) from err
    except OSError as err:
        raise InputError(f"cannot be read: {err.strerror or err}", code="file-unreadable",
                         where=path.name, hint="is its disk connected? Copy it again") from err
    return (_part(path.name, "", path),)


def nested_zips(parts: tuple[Part, ...]) -> str:
    """What to do where archives lie in an archive or folder, "" where none does."""
    inner = [part.name for part in parts if part.suffix == ".zip"]
    if not inner:
        return ""
    what = "unpack it" if parts[0].member else "name that file itself"
    return (f"it holds {len(inner)} archive{'s' * (len(inner) > 1)} ({', '.join(inner[:6])}), and "
            f"vrx opens none within another: {what}, then name the inner one in the plan")


def input_files(path: Path) -> tuple[Path, ...]:
    """The files on disk that reading `path` really reads, sorted: what a job record must hash.

    A shapefile is several; a zip is one; a raster may have that of its zones beside it; a folder
    gives the files that belong to a known format, of task data those of TASKDATA.
    """
    known = {*SHAPEFILE_PARTS, *GEOJSON_SUFFIXES, ".gpkg", ".kml", ".kmz", ".csv",
             ".txt", ".tsv", ".xlsx", ".xlsm", ".xml", ".bin"}
    parts = parts_of(path)
    if path.is_dir():
        inner = path / task_data.FOLDER
        parts = tuple(part for part in (parts_of(inner) if inner.is_dir() else parts)
                      if part.suffix in known)
    zones = path.parent / f"{raster.ZONES}.tif"
    if path.suffix.lower() in {".tif", ".tiff"} and zones.is_file():
        parts = (*parts, *parts_of(zones))
    return tuple(sorted({part.path for part in parts}))
