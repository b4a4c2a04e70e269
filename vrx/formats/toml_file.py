"""A user's TOML file that is no plan (rule book, list of materials): bounded, never waited for."""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from vrx.errors import VrxError

MOST_BYTES = 4 << 20
DEEPEST = 32
Refuse = Callable[[str, str], VrxError]
"""Makes the reader's own error of (what is wrong, what to do)."""


def toml_bytes(path: Path, *, refuse: Refuse) -> bytes:
    """All bytes of a regular file of at most 4 MiB. Raises what `refuse` makes."""
    try:
        told = path.stat()
        if not stat.S_ISREG(told.st_mode):
            raise refuse("is a folder, a device or a pipe, not a file", "name the file itself")
        if told.st_size > MOST_BYTES:
            raise refuse(f"has more than {MOST_BYTES >> 20} MiB",
                         "name the right file: such a list has some hundred lines")
        return path.read_bytes()
    except VrxError:
        raise
    except (OSError, ValueError) as err:  # ValueError: NUL in the name
        why = getattr(err, "strerror", None) or str(err)
        raise refuse(f"cannot be read: {why}",
                     "check the path in the plan and the rights of the file") from err


def toml_document(raw: bytes, *, refuse: Refuse) -> dict[str, Any]:
    """The document. Raises what `refuse` makes for other text, and for nests without end."""
    try:
        found = tomllib.loads(raw.decode("utf-8-sig"))
        level: list[Any] = [found]
        for _ in range(DEEPEST):
            values = [v for one in level for v in (one.values() if isinstance(one, dict) else one)]
            level = [v for v in values if isinstance(v, dict | list)]
    except UnicodeDecodeError as err:
        raise refuse(f"is not UTF-8 text: {err.reason} at byte {err.start}",
                     "save it as UTF-8 text") from err
    except RecursionError:
        level = [0]
    except ValueError as err:  # a syntax fault, a number of thousands of digits
        raise refuse(f"is not valid TOML: {str(err)[:300]}", "correct the line named") from err
    if level:
        raise refuse(f"has sections or lists in each other more than {DEEPEST} deep",
                     "keep to the form of the list that vrx brings along")
    return found
