"""The registry of formats, and the one path for all: temporary name, read back, rename."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from shutil import rmtree

from filelock import FileLock, Timeout

from vrx.errors import ExportError, MissingExtra
from vrx.export.export_set import ExportSet
from vrx.export.layer import columns_text

_ROOM = "is the folder writable, and is there room on the disk? Nothing was replaced"
_LEGEND = "prescription_columns.txt"
_LOCK = ".writing.lock"
Writer = Callable[[Path], Sequence[Path]]
"""Writes into a scratch folder, reads back, gives the paths."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """A format: `module` has `write(meant, folder) -> paths`, `meant` being an `ExportSet`.

    `write` writes into a scratch folder, reads back with a reader that does not share the writer's
    driver, and raises `ExportError` where that is not what was meant. `holds` says in words what is
    in the files. `extra` names the optional part of vrx that it needs, `needs` the library by which
    that part is known; both "" where it needs none.
    """

    module: str
    holds: str
    extra: str = ""
    needs: str = ""


FORMATS = {
    "shapefile": Format(
        module="vrx.export.esri_shapefile",
        holds="zones and rates of all passes, loose and zipped"),
    "geojson": Format(
        module="vrx.export.geojson", holds="zones and rates of all passes (RFC 7946)"),
    "geopackage": Format(
        module="vrx.export.geopackage",
        holds="boundary, zones, rates, samples, maps, order, findings and styles in one file"),
    "geotiff": Format(
        module="vrx.export.geotiff",
        holds="one raster of rates a pass, one raster a soil-test map, in the field's own system"),
    "geoparquet": Format(
        module="vrx.export.geoparquet", holds="zones and rates of all passes", extra="parquet",
        needs="pyarrow"),
    "iso11783": Format(
        module="vrx.export.task_data",
        holds="task data of ISO 11783-10, version 4.3: zones as polygons or grid, tasks, products"),
}
"""All formats by the name that the plan uses."""


def require_formats(formats: Sequence[str]) -> None:
    """Raise `ExportError` for an unknown format, `MissingExtra` for one that is not installed."""
    for name in formats:
        if name not in FORMATS:
            raise ExportError(
                f"unknown format {name!r}", code="export-format", where="formats",
                hint=f"known: {', '.join(FORMATS)}",
            )
        needs, extra = FORMATS[name].needs, FORMATS[name].extra
        if needs and find_spec(needs) is None:
            raise MissingExtra(
                f"the format {name!r} needs {needs}, which is not installed",
                code="export-extra", where="formats",
                hint=f"pip install 'vrx[{extra}]', or take {name!r} out of [export] formats",
            )


def write_formats(
    *, meant: ExportSet, formats: Sequence[str], folder: Path
) -> tuple[tuple[str, Path], ...]:
    """Write every format and the text on its columns into `folder`; gives (format, path) of each.

    All are written into a scratch folder inside `folder`, read back and compared, and only when the
    last is good are they renamed. Raises `ExportError` for an unknown format, for a file that is
    there already, and for whatever cannot be written or reads back otherwise, `MissingExtra` for a
    format that is not installed; `folder` then holds what it held before.
    """
    require_formats(formats)

    def one(name: str) -> Writer:
        return lambda scratch: import_module(FORMATS[name].module).write(meant, scratch)

    def legend(scratch: Path) -> Sequence[Path]:
        path = scratch / _LEGEND
        rasters = bool({"geopackage", "geotiff"} & set(formats))
        text = columns_text(meant.layer, rasters=rasters, without_map=meant.without_map)
        path.write_text(text, encoding="utf-8", newline="\n")
        return (path,)

    return write_together(
        folder, [*((name, one(name)) for name in dict.fromkeys(formats)), ("text", legend)])


def write_together(
    folder: Path, writers: Sequence[tuple[str, Writer]]
) -> tuple[tuple[str, Path], ...]:
    """Run (format, writer) pairs in a scratch folder inside `folder`; move all in at the end.

    A writer gets the scratch folder, reads back what it wrote, and gives its paths. Raises
    `ExportError` as `write_formats` does; `folder` then holds what it held before.
    """
    written: list[tuple[str, Path]] = []
    with _alone(folder) as scratch:
        for name, writer in writers:
            with _plain_errors(name, folder):
                written += [(name, folder / path.relative_to(scratch)) for path in writer(scratch)]
        with _plain_errors("the folder", folder):
            _move_in(scratch, folder)
    return tuple(written)


@contextmanager
def _alone(folder: Path) -> Iterator[Path]:
    """A fresh scratch folder inside `folder`, whose lock is held: two writers would mix files."""
    lock = FileLock(folder / _LOCK)
    with _plain_errors("the folder", folder):
        folder.mkdir(parents=True, exist_ok=True)
        try:
            lock.acquire(timeout=0)
        except Timeout as err:
            raise ExportError(
                "another vrx is writing into this folder", code="export-locked", where=str(folder),
                hint="wait until it has ended, then export again",
            ) from err
    scratch = folder / ".writing"
    try:
        # Whoever left one was killed: we hold the lock.
        rmtree(scratch, ignore_errors=True)
        with _plain_errors("the folder", folder):
            scratch.mkdir()
        yield scratch
    finally:
        rmtree(scratch, ignore_errors=True)
        with suppress(OSError):
            os.unlink(lock.lock_file)
        lock.release()


@contextmanager
def _plain_errors(what: str, folder: Path) -> Iterator[None]:
    """Turn what writing and reading raise into an `ExportError` that names the file."""
    try:
        yield
    except ExportError:
        raise
    except OSError as err:
        raise ExportError(
            f"{what} could not be written: {err.strerror or err}", code="export-write",
            where=str(err.filename or folder), hint=_ROOM,
        ) from err
    except (ValueError, KeyError, struct.error) as err:
        raise ExportError(
            f"{what} cannot be read back after writing: {err}", code="export-differs",
            where=str(folder), hint=_ROOM,
        ) from err


def _move_in(scratch: Path, folder: Path) -> None:
    made = sorted(scratch.iterdir())
    for path in made:
        target = folder / path.name
        if target.exists():
            raise ExportError(
                "is there already, and an export replaces nothing", code="export-exists",
                where=str(target), hint="move it away, or export into another folder",
            )
    done: list[Path] = []
    try:
        for path in made:
            os.replace(path, folder / path.name)
            done.append(folder / path.name)
    except OSError:
        # Half a set must not stay: it would be taken for a whole one.
        for path in done:
            if path.is_dir():
                rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
        raise
