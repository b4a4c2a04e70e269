"""A task folder of ISO 11783-10 as plain elements and cells, for the judge and for reading back.

Nothing is ever opened but files that lie in the folder itself, by names of the standard's form.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np
import numpy.typing as npt

from vrx.errors import InputError
from vrx.formats import task_data as facts
from vrx.formats.xml_tree import MOST_BYTES, xml_tree

MOST_CELL_BYTES = 160_000_000
_AGAIN = "copy the whole TASKDATA folder again, or export the task again"


def read_record(folder: Path) -> Element:
    """The root element of a folder's `TASKDATA.XML`.

    Raises `InputError` for a missing or oversized file, broken XML, and a document type or entity.
    """
    return xml_tree(_bytes(folder / facts.RECORD, MOST_BYTES), where=facts.RECORD)


def read_cells(folder: Path, name: str, *, rows: int, columns: int, values: int = 0
               ) -> npt.NDArray[np.uint8] | npt.NDArray[np.int32]:
    """The cells of `name`.bin, row 0 in the SOUTH, column 0 in the west.

    Grid type 1 (`values` 0): (rows, columns) zone codes, one unsigned byte each. Grid type 2:
    (rows, columns, `values`), little-endian signed 32 bits, interleaved. Raises `InputError` for a
    name that is none of the standard's, and a missing file or one of another size.
    """
    if not facts.GRID_NAME.fullmatch(name):
        raise InputError(f"{name!r} is no name of a grid (GRD and five digits)",
                         code="task-check-file", where=facts.RECORD, hint=_AGAIN)
    path = find(folder, f"{name}.bin")
    if path is None:
        raise InputError(f"{name}.bin is missing", code="task-check-file", where=str(folder),
                         hint=_AGAIN)
    needed = rows * columns * (4 * values if values else 1)
    data = _bytes(path, MOST_CELL_BYTES)
    if len(data) != needed:
        raise InputError(f"{path.name} has {len(data)} bytes, {rows} rows of {columns} columns "
                         f"need {needed}", code="task-check-grid", where=facts.RECORD, hint=_AGAIN)
    if values:
        cells = np.frombuffer(data, dtype="<i4").astype(np.int32, copy=False)
        return cells.reshape(rows, columns, values)
    return np.frombuffer(data, dtype=np.uint8).reshape(rows, columns)


def find(folder: Path, name: str) -> Path | None:
    """A regular file of the folder by its name, its ending in either case; None if there is none.

    A link that leads out of the folder is none.
    """
    for one in (name, name.rpartition(".")[0] + name[name.rfind("."):].upper()):
        path = folder / one
        if path.is_file() and path.resolve().parent == folder.resolve():
            return path
    return None


def _bytes(path: Path, most: int) -> bytes:
    try:
        if not path.is_file():
            raise InputError("is missing, or is no file", code="task-check-file", where=str(path),
                             hint=_AGAIN)
        if path.stat().st_size > most:
            raise InputError(f"has {path.stat().st_size:,} bytes, more than {most:,}",
                             code="task-check-file", where=str(path), hint=_AGAIN)
        return path.read_bytes()
    except InputError:
        raise
    except OSError as err:
        raise InputError(f"cannot be read: {err.strerror or err}", code="task-check-file",
                         where=str(path), hint=_AGAIN) from err
