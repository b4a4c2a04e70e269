"""Which run is current, and whether its files are those of the job record, byte by byte."""

from __future__ import annotations

import hashlib
import json
import os
import re
from pathlib import Path, PurePosixPath

from vrx.audit import _record, _sources
from vrx.audit._ledger import Ledger
from vrx.audit.stated import Statement
from vrx.errors import InputError
from vrx.formats import layer as facts
from vrx.model.audit import AuditedFile

CURRENT = "current.json"
LOOSE = f"shapefile/{facts.LAYER_NAME}.shp"
ZIP = f"{facts.LAYER_NAME}_shapefile.zip"
GEOJSON = f"{facts.LAYER_NAME}.geojson"
ORDER = "order.csv"
_LOADABLE = {
    ".shp", ".shx", ".dbf", ".prj", ".cpg", ".zip", ".geojson", ".json", ".gpkg", ".kml", ".tif",
    ".tiff", ".xml", ".bin", ".csv", ".parquet",
}
UNREAD = frozenset({"machine files"})
"""Formats of which only the bytes are judged."""
READ = frozenset({"geopackage", "geoparquet", "geotiff", "iso11783"})
"""Formats beside shapefile and GeoJSON whose rates are read."""


def find_run(folder: Path, ledger: Ledger) -> Path | None:
    """The run folder meant by `folder`; None with a fault where `current.json` leads nowhere.

    Raises `InputError` where the folder holds neither a job record nor a pointer to one.
    """
    if not os.path.isdir(folder):
        raise InputError(
            "is no folder", code="audit-no-folder", where=str(folder),
            hint="name a run folder (output/run-...) or the output folder that holds them; "
            "a single file is audited without a job record",
        )
    if os.path.isfile(folder / _record.NAME):
        _of_parent(folder, ledger)
        return folder
    if os.path.isfile(folder / CURRENT):
        return _follow(folder, ledger)
    raise InputError(
        f"holds neither {_record.NAME} nor {CURRENT}", code="audit-no-manifest", where=str(folder),
        hint="name a run folder (output/run-...) or the output folder that holds them; a file "
        "without a job record can be audited alone",
    )


def _pointer(path: Path) -> tuple[str, str] | None:
    try:
        root = json.loads(_sources.sized_bytes(path).decode("utf-8"))
        return str(root["run"]), str(root["manifest_sha256"])
    except (ValueError, RecursionError, KeyError, TypeError):
        return None


def _follow(output: Path, ledger: Ledger) -> Path | None:
    told = _pointer(output / CURRENT)
    if told is None:
        ledger.fault(
            "current-unreadable", CURRENT, "must hold run and manifest_sha256", todo="run again"
        )
        return None
    run, digest = told
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", run):
        ledger.fault("current-run", f"{CURRENT}, run", f"{run!r} is no name of a run folder")
        return None
    if not os.path.isfile(output / run / _record.NAME):
        ledger.fault(
            "current-run", f"{CURRENT}, run", f"points to {run}, which holds no {_record.NAME}",
            todo="run again, or audit the run folder that is meant",
        )
        return None
    _digest(output / run, digest, ledger)
    return output / run


def _digest(folder: Path, digest: str, ledger: Ledger) -> None:
    found = hashlib.sha256(_sources.sized_bytes(folder / _record.NAME)).hexdigest()
    if not ledger.text(
        "SHA-256 of the job record", f"{folder.name}/{_record.NAME}", found=found, expected=digest
    ):
        ledger.fault(
            "current-hash", f"{CURRENT}, manifest_sha256",
            f"is not the SHA-256 of {folder.name}/{_record.NAME}: the record was changed after "
            "the run, or another run is meant", todo="run again",
        )


def _of_parent(folder: Path, ledger: Ledger) -> None:
    told = _pointer(folder.parent / CURRENT) if os.path.isfile(folder.parent / CURRENT) else None
    if told is None:
        return
    if told[0] == folder.resolve().name:
        _digest(folder, told[1], ledger)
    else:
        ledger.remark("not-current", folder.name, f"is not the current run, which is {told[0]}")


def check_name(folder: Path, run: str, ledger: Ledger) -> None:
    """The record belongs to the folder it lies in (a copy may carry -2, -3 ...)."""
    name = folder.resolve().name
    if re.fullmatch(re.escape(run) + r"(-\d+)?", name) is None:
        ledger.doubt(
            "run-name", f"{_record.NAME}, run",
            f"the record is of {run}, the folder is called {name}",
            todo="a run folder keeps its name",
        )


def check_files(folder: Path, record: _record.RunRecord, ledger: Ledger) -> None:
    """All recorded files present with their hash and size; no prescription beside them."""
    agreed = 0
    for path in sorted(record.files):
        if _leads_out(path):
            ledger.fault("file-path", f"{_record.NAME}, file {path}", "leads out of the run folder")
            continue
        if not os.path.isfile(folder / path):
            ledger.fault(
                "file-missing", path, "is in the job record but not in the folder",
                todo="copy the whole run folder again",
            )
            continue
        agreed += _same_bytes(folder / path, path, record, ledger)
    ledger.figure(
        "files as recorded", _record.NAME, "", found=agreed, expected=len(record.files), within=0
    )
    listed = set(record.files) | {_record.NAME}
    for found in sorted(one for one in folder.rglob("*") if os.path.isfile(one)):
        relative = found.relative_to(folder).as_posix()
        if relative in listed:
            continue
        if found.suffix.lower() in _LOADABLE:
            ledger.fault(
                "file-unlisted", relative, "is not in the job record",
                todo="take it out of the folder, lest it be loaded by mistake",
            )
        else:
            ledger.remark("file-unlisted", relative, "is not in the job record")
    _wanted(record, ledger)


def unjudged(record: _record.RunRecord) -> list[str]:
    """Formats of the record that this audit cannot read."""
    return sorted({str(node.get("format")) for node in record.files.values()} & UNREAD)


def maps(record: _record.RunRecord) -> list[str]:
    """Rasters of soil tests."""
    return sorted(path for path, node in record.files.items() if node.get("format") == "geotiff"
                  and PurePosixPath(path).name.startswith("map_"))


def has_judged(record: _record.RunRecord) -> bool:
    """Whether a file is recorded whose rates are read."""
    return any(
        path in {ZIP, GEOJSON} or path.startswith("shapefile/") or node.get("format") in READ
        for path, node in record.files.items())


def tell_unjudged(record: _record.RunRecord, ledger: Ledger) -> None:
    """Say of which files only the bytes are judged."""
    for kind in unjudged(record):
        paths = sorted(
            path for path, node in record.files.items() if str(node.get("format")) == kind)
        ledger.remark(
            "format-unread", ", ".join(paths),
            f"{kind}: held against the job record by size and SHA-256 only",
        )


def _same_bytes(file: Path, path: str, record: _record.RunRecord, ledger: Ledger) -> bool:
    data = _sources.sized_bytes(file)
    node = record.files[path]
    if hashlib.sha256(data).hexdigest() == node.get("sha256") and len(data) == node.get("bytes"):
        return True
    ledger.fault(
        "file-changed", path,
        f"is not the file of the job record: SHA-256 or size differs ({len(data)} bytes, recorded "
        f"{node.get('bytes')})",
        todo="it was changed after the run; run again",
    )
    return False


def _wanted(record: _record.RunRecord, ledger: Ledger) -> None:
    wanted = [ORDER]
    if any(path.startswith("shapefile/") or path == ZIP for path in record.files):
        stem = LOOSE.removesuffix(".shp")
        wanted += [*(f"{stem}{suffix}" for suffix in facts.SHAPEFILE_PARTS), ZIP]
    elif GEOJSON not in record.files and not unjudged(record) and not has_judged(record):
        wanted += [GEOJSON]
    for path in wanted:
        if path not in record.files:
            ledger.fault("file-unrecorded", f"{_record.NAME}, files", f"{path} is not recorded")
    for path in ("page.html", f"{facts.LAYER_NAME}_columns.txt"):
        if path not in record.files:
            ledger.doubt("file-unrecorded", f"{_record.NAME}, files", f"{path} is not recorded")


def hashed(
    folder: Path, record: _record.RunRecord, stated: Statement, boundary: Path | None
) -> tuple[AuditedFile, ...]:
    """What was judged: the job record, all files that it names, and what the user gave beside."""
    beside = [one.path for one in (stated.order, stated.tickets, stated.invoice) if one is not None]
    names = [_record.NAME, *(one for one in sorted(record.files) if not _leads_out(one))]
    pairs = [(folder / one, one) for one in names]
    pairs += [(one, str(one)) for one in (*beside, *([boundary] if boundary else []))]
    return tuple(_sources.hashed(path, name) for path, name in pairs if os.path.isfile(path))


def _leads_out(path: str) -> bool:
    pure = PurePosixPath(path)
    return pure.is_absolute() or ".." in pure.parts or "\\" in path
