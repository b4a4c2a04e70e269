"""The registry of formats, and the one path for all: temporary name, read back, rename."""

from __future__ import annotations

import os
import struct
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from shutil import rmtree

from vrx.errors import ExportError
from vrx.export.layer import ExportLayer, columns_text

_ROOM = "is the folder writable, and is there room on the disk? Nothing was replaced"

FORMATS = {
    "shapefile": "vrx.export.esri_shapefile",
    "geojson": "vrx.export.geojson",
}
"""Format name → module with `write(layer, folder) -> paths`."""


def write_formats(
    *, layer: ExportLayer, formats: Sequence[str], folder: Path
) -> tuple[tuple[str, Path], ...]:
    """Write every format into `folder`; gives (format, path) of each file.

    Each format is written into a temporary folder beside its target, read back and compared, and
    only then renamed. Raises `ExportError`; whatever stood in `folder` before is then untouched.
    """
    written: list[tuple[str, Path]] = []
    for name in formats:
        if name not in FORMATS:
            raise ExportError(
                f"unknown format {name!r}; known: {', '.join(FORMATS)}", code="export-format"
            )
        scratch = folder / f".writing-{name}"
        rmtree(scratch, ignore_errors=True)
        try:
            scratch.mkdir(parents=True)
            paths = import_module(FORMATS[name]).write(layer, scratch)
            for top in sorted(scratch.iterdir()):
                os.replace(top, folder / top.name)
        except ExportError:
            raise
        except OSError as err:
            raise ExportError(
                f"{name} could not be written: {err.strerror or err}", code="export-write",
                where=str(err.filename or folder), hint=_ROOM,
            ) from err
        except (ValueError, KeyError, struct.error, Warning) as err:
            raise ExportError(
                f"{name} cannot be read back after writing: {err}", code="export-differs",
                where=str(folder), hint=_ROOM,
            ) from err
        finally:
            rmtree(scratch, ignore_errors=True)
        written += [(name, folder / path.relative_to(scratch)) for path in paths]
    legend = folder / "prescription_columns.txt"
    legend.write_text(columns_text(layer), encoding="utf-8", newline="\n")
    return (*written, ("text", legend))
