"""Signing an audit off, and checking a chain of signed records against the files on disk."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from vrx import __version__
from vrx.audit import chain
from vrx.errors import ExportError, InputError
from vrx.model import Finding, stop
from vrx.model.audit import AuditResult

NAME = "signed.jsonl"
_MANIFEST, _CURRENT = "manifest.json", "current.json"
_MOST_BYTES = 256 << 20
_ROOM = "is the folder writable, and is there room on the disk? The earlier records are intact"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainChecked:
    """A chain as it is: its file, all records that can be read, and what is wrong."""

    path: Path
    records: tuple[Mapping[str, Any], ...]
    faults: tuple[Finding, ...]

    @property
    def whole(self) -> bool:
        """Nothing was changed: neither a record nor a file, as the newest record of it says."""
        return not self.faults


def chain_of(path: Path) -> Path:
    """Where the records of a path are kept: in the field's folder, else beside the file.

    Never in a run folder, whose files are those of its job record.
    """
    folder = path if path.is_dir() else path.absolute().parent
    if (folder / "plan.toml").is_file():
        return folder / NAME
    for one in (folder.absolute(), *folder.absolute().parents):
        if (one / _CURRENT).is_file():
            return one.parent / NAME
        if (one / _MANIFEST).is_file() and not (one.parent / _CURRENT).is_file():
            return one.parent / NAME
    return folder / NAME


def sign(result: AuditResult, signature: chain.Signature, *, path: Path) -> dict[str, Any]:
    """Add a record to the chain at `path` and give it; the earlier ones stay byte for byte.

    Raises `InputError` for a chain that is not whole, for what differs and is not accepted, and for
    a file that changed since it was judged; `ExportError` where it cannot be written. The chain
    then is as it was.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(path.with_name(f".{path.name}.lock"))
        lock.acquire(timeout=5)
    except Timeout as err:
        raise ExportError("another vrx is writing it", code="export-locked", where=str(path),
                          hint="wait until it has ended, then sign again") from err
    except OSError as err:
        raise ExportError(f"could not be written: {err.strerror or err}", code="export-write",
                          where=str(path), hint=_ROOM) from err
    try:
        data = _read(path) if path.exists() else b""
        before, faults = chain.parse(data, path.name)
        if faults:
            raise InputError(f"is not whole: {faults[0].where} {faults[0].what}",
                             code="sign-chain-broken", where=str(path), findings=tuple(faults),
                             hint="keep it as it is, and begin a new one with --chain")
        for one in result.files:
            if _sha256(Path(one.source)) != one.sha256:
                raise InputError("changed while it was judged", code="sign-file-changed",
                                 where=one.path, hint="sign again")
        home = path.absolute().parent
        paths = [Path(os.path.relpath(one.source, home)).as_posix() for one in result.files]
        record = chain.make(result, signature, paths=paths, before=before, vrx=__version__)
        _write(path, data + chain.line_of(record))
        return record
    finally:
        lock.release()


def check(path: Path, *, seal: str | None = None) -> ChainChecked:
    """The chain at `path`, and the files of the newest record of each subject, as they now are.

    Raises `InputError` where there is no chain, or `seal` is none.
    """
    if os.path.isdir(path):
        path = chain_of(path)
    if not os.path.isfile(path):
        raise InputError("there are no signed records here", code="sign-no-chain", where=str(path),
                         hint="vrx sign makes the first one")
    records, faults = chain.parse(_read(path), path.name)
    if not records and not faults:
        faults.append(stop("sign-line", path.name, "holds no record"))
    if seal is not None:
        faults += chain.check_seal(records, seal, path.name)
    faults += _files(records, path.absolute().parent, path.name)
    return ChainChecked(path=path, records=tuple(records), faults=tuple(faults))


def _files(
    records: Sequence[Mapping[str, Any]], home: Path, name: str
) -> list[Finding]:
    """Faults of files that are not as the newest record that names them says."""
    newest: dict[str, tuple[object, object]] = {}
    for record in records:
        listed = record.get("files")
        for one in listed if isinstance(listed, list) else []:
            if isinstance(one, dict):
                newest[str(one.get("path"))] = one.get("sha256"), record.get("number")
    found = []
    for told, (wanted, number) in newest.items():
        where = f"{told} (record {number} of {name})"
        own = _sha256(home / told)
        if own is None:
            found.append(stop("sign-file-missing", where, "is not there any more",
                              todo="copy it back, or sign what is there now"))
        elif own != wanted:
            found.append(stop("sign-file-changed", where, "changed since it was signed",
                              todo="copy it back, or audit and sign it anew"))
    return found


def _sha256(path: Path) -> str | None:
    try:
        if not path.is_file():  # a device would be read for ever
            return None
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except (OSError, ValueError):
        return None


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(f"has more than {_MOST_BYTES >> 20} MiB: no chain of records",
                             code="sign-no-chain", where=str(path), hint="name another file")
        return path.read_bytes()
    except OSError as err:
        raise InputError(f"cannot be read: {err.strerror or err}", code="sign-no-chain",
                         where=str(path), hint="give yourself the right to read it") from err


def _write(path: Path, data: bytes) -> None:
    """Replace the file at once, after the new one was synced and read back."""
    scratch = path.with_name(f".{path.name}.new")
    try:
        with scratch.open("wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if scratch.read_bytes() != data or chain.parse(data, path.name)[1]:
            raise ExportError("read back after writing, it differs", code="export-differs",
                              where=str(path), hint="nothing was replaced; try again")
        os.replace(scratch, path)
    except OSError as err:
        if isinstance(err, ExportError):
            raise
        raise ExportError(f"could not be written: {err.strerror or err}", code="export-write",
                          where=str(path), hint=_ROOM) from err
    finally:
        scratch.unlink(missing_ok=True)
