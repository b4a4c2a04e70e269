"""Finished runs in the folder: only what a run's own record lists, and only inside it."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from vrx.pipeline.commit import MANIFEST, sha256
from vrx.pipeline.run import OUTPUT

_DAY = (1980, 1, 1, 0, 0, 0)
_PIECE = 1 << 18
_MOST_PATH = 500


def run_folder(folder: Path, run: str) -> Path | None:
    """The folder of a finished run by its name; None for what is none."""
    output = folder / OUTPUT
    path = output / run
    if run in {"", ".", ".."} or "/" in run or run.startswith("."):
        return None
    if path.is_symlink() or output.is_symlink() or not (path / MANIFEST).is_file():
        return None
    return path


def record_of(run: Path) -> dict[str, Any]:
    """The job record of a run as far as it is one; empty where it cannot be read.

    Somebody may have changed it: what is no name, number or list where one belongs is left out.
    """
    try:
        told = json.loads((run / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(told, dict):
        return {}
    field, files, inputs = (told.get(key) for key in ("field", "files", "inputs"))
    return {
        **told, "field": {key: str(value) for key, value in field.items()}
        if isinstance(field, dict) else {},
        "files": [_file_line(one) for one in files if _names_a_file(one)]
        if isinstance(files, list) else [],
        "inputs": [one if _names_a_file(one) else None for one in inputs]
        if isinstance(inputs, list) else [None],
    }


def _names_a_file(one: object) -> bool:
    path = one.get("path") if isinstance(one, dict) else None
    return isinstance(path, str) and 0 < len(path) < _MOST_PATH and path.isprintable()


def _file_line(one: Mapping[str, Any]) -> dict[str, Any]:
    size = one.get("bytes")
    return {**one, "format": str(one.get("format", "")), "sha256": str(one.get("sha256", "")),
            "bytes": size if isinstance(size, int) and size >= 0 else 0}


def listed(run: Path) -> dict[str, dict[str, Any]]:
    """Path -> the record's line of every file that may be handed out, the record itself too."""
    found = {str(one["path"]): one for one in record_of(run).get("files", [])}
    record = run / MANIFEST
    if record.is_file() and not record.is_symlink():
        found[MANIFEST] = {"path": MANIFEST, "format": "job record", "sha256": sha256(record),
                           "bytes": record.stat().st_size}
    return found


def file_of(run: Path, name: str) -> Path | None:
    """A listed file of a run that really lies inside it; None otherwise."""
    if name not in listed(run):
        return None
    pure = PurePosixPath(name)
    if pure.is_absolute() or ".." in pure.parts:
        return None
    path = run.joinpath(*pure.parts)
    try:
        inside = path.resolve(strict=True).is_relative_to(run.resolve(strict=True))
    except OSError:
        return None
    return path if inside and path.is_file() and not path.is_symlink() else None


def zip_of(run: Path) -> Iterator[bytes]:
    """All listed files of a run as a zip: the same bytes for the same run."""
    stream = _Pieces()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as made:
        for name in sorted(listed(run)):
            path = file_of(run, name)
            if path is None:
                continue
            told = zipfile.ZipInfo(f"{run.name}/{name}", _DAY)
            told.compress_type = zipfile.ZIP_DEFLATED
            told.external_attr = 0o644 << 16
            told.create_system = 3
            with path.open("rb") as source, made.open(told, "w") as target:
                while piece := source.read(_PIECE):
                    target.write(piece)
                    yield stream.taken()
            yield stream.taken()
    yield stream.taken()


class _Pieces(io.RawIOBase):
    """A stream that is read while it is written; it cannot seek, and the zip does without."""

    def __init__(self) -> None:
        super().__init__()
        self.pieces = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.pieces += data
        return len(data)

    def taken(self) -> bytes:
        """What was written since, and nothing of it again."""
        found = bytes(self.pieces)
        self.pieces.clear()
        return found


def edits_of(record: Mapping[str, Any]) -> str:
    """The state of edits by hand that a run was made from, "" for none."""
    told = record.get("edits")
    return str(told.get("state", "")) if isinstance(told, Mapping) else ""


def still_true(record: Mapping[str, Any], folder: Path) -> bool:
    """Whether plan and inputs in the folder are, byte for byte, those that a run was made from."""
    for one in (record.get("plan"), *record.get("inputs", [None])):
        if not isinstance(one, dict) or not _names_a_file(one):
            return False
        path = folder / str(one.get("path", ""))
        try:
            if not path.is_file() or sha256(path) != one.get("sha256"):
                return False
        except OSError:
            return False
    return True
