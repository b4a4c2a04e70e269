"""Points of any covariate (apparent conductivity, elevation) -> block means on the field's grid."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vrx.errors import InputError
from vrx.intake._blocks import LITTLE_COVERED, block_means, covered_share, field_cells, filled
from vrx.intake.yields._columns import Progress, Wanted, read_columns
from vrx.intake.yields._where import locate, require_pair
from vrx.intake.yields.spec import LogColumn, PlaceColumns
from vrx.model import Field, Grid, LayerGrid, note, warn


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSpec:
    """A layer of points: its name, the measured column with its unit, and where points lie."""

    name: str
    value: LogColumn
    places: PlaceColumns


def read_point_layer(
    *, path: Path, field: Field, grid: Grid, spec: PointSpec, fill_within_m: float = 0.0,
    progress: Progress | None = None,
) -> LayerGrid:
    """Mean of the points in each cell, in the unit that `spec` states; nothing is filtered.

    Points without position, value or outside the field are left out with their counts. Empty cells
    take the nearest cell's value within `fill_within_m` metres (0: none do).

    Raises:
        InputError: unit not stated, columns missing, cells that are no numbers, coordinates without
            a system, or no point with a value in the field.
    """
    path = Path(path)
    require_pair(spec.places, where=path.name)
    if not spec.value.unit.strip():
        raise InputError("its unit is not stated", code="layer-unit-missing",
                         where=f"{path.name}, column {spec.value.column}",
                         hint='state it, for example "mS/m", "m" or "index"')
    degrees, pair = spec.places.longitude_column is not None, spec.places.pair
    table = read_columns(path, places=spec.places, progress=progress, wanted=Wanted(
        numbers=(spec.value.column, *(() if degrees else pair)), degrees=pair if degrees else ()))
    east, north, inside, said = locate(table, spec.places, field)
    values = table.numbers[spec.value.column]
    bare = inside & np.isnan(values)
    findings = [*table.findings, *said]
    if bare.any():
        findings.append(note("layer-no-value", f"{table.file}, column {spec.value.column}",
                             f"{int(bare.sum())} points have no value", done="left out"))
    use = inside & ~bare
    if not use.any():
        raise InputError("no point in the field has a value", code="layer-no-values",
                         where=f"{table.file}, column {spec.value.column}",
                         hint="check the column's name")
    mean, count = block_means(east[use], north[use], values[use], grid)
    full, new = filled(mean, grid, within_m=fill_within_m)
    cells = field_cells(field, grid)
    share = covered_share(full, cells)
    taken = int((new & cells).sum())
    say = note if share >= LITTLE_COVERED else warn
    findings.append(say(
        "layer-covered", table.file,
        f"{int(use.sum())} points in {int((count > 0).sum())} cells of {grid.cell_m:g} m, "
        f"{100 * share:.1f} % of the field has a value", value=f"{share:.4f}",
        done=f"{taken} empty cells filled from the nearest within {fill_within_m:g} m"
        if taken else ""))
    return LayerGrid(name=spec.name, kind="points", unit=spec.value.unit,
                     source=f"{table.file}, column {spec.value.column}", grid=grid, values=full,
                     count=count, covered_share=share, findings=tuple(findings))
