"""Geometry that GEOS gives up on is the user's file at fault, so it becomes an error of ours."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import shapely

from vrx.errors import InputError

_Read = TypeVar("_Read", bound=Callable[..., Any])


def tangles_told(read: _Read) -> _Read:
    """A reader, called with `path`, that raises `InputError` for outlines that have no answer."""

    @wraps(read)
    def told(*, path: Path, **more: Any) -> Any:
        try:
            return read(path=path, **more)
        except shapely.errors.GEOSException as err:
            raise InputError(f"its outlines cannot be taken apart: {err}", code="boundary-tangled",
                             where=Path(path).name,
                             hint="draw them again, or with fewer vertices") from err

    return told  # type: ignore[return-value]
