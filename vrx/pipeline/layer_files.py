"""The files behind a plan's layers, and errors that name the layer."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from vrx import intake
from vrx.errors import InputError
from vrx.plan import Plan


@contextmanager
def naming(layer: str) -> Iterator[None]:
    """An `InputError` from within names the layer of the plan before the file."""
    try:
        yield
    except InputError as err:
        err.where = ", ".join(part for part in (f"[[layer]] {layer}", err.where) if part)
        raise


def layer_files(plan: Plan, *, folder: Path) -> tuple[Path, ...]:
    """The files on disk behind the plan's layers; a raster's come with what lies beside it."""
    found: list[Path] = []
    for one in plan.layers:
        with naming(one.name):
            path = folder / one.file
            found += intake.raster_files(path) if one.is_raster else intake.input_files(path)
    return tuple(found)
