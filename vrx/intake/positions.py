"""Where samples lie, judged before units and methods are stated: proposals come early."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vrx.intake._inside import judge
from vrx.intake._lab_file import KIND
from vrx.intake._modus import POINT_1
from vrx.intake._prepare import adapted, points_in_order
from vrx.intake._raise import raise_stops
from vrx.intake._rows import decimal_mark, sample_ids
from vrx.intake._table import read_table
from vrx.intake.soil import located
from vrx.intake.spec import SoilSpec
from vrx.model import Field, Finding


def judge_places(
    *, path: Path, field: Field, spec: SoilSpec
) -> tuple[int, tuple[Finding, ...]]:
    """How many rows lie in the field, and every finding about their places.

    `spec` needs the columns of coordinates only. Raises `InputError` with the stops of a step, each
    with the reading of the coordinates that would put most samples inside, and how it is stated.
    """
    table = read_table(Path(path), needed=spec.needed, sheet=spec.sheet, layer=spec.layer,
                       crs=spec.crs, need_places=spec.by_geometry)
    spec, said = adapted(table, spec)
    findings: list[Finding] = [*table.findings, *said]
    for heading in spec.places_and_names:
        table.index(heading)
    decimal, said = decimal_mark(table, spec)
    findings += said
    raise_stops(findings)
    if table.kind == KIND and spec.by_geometry and POINT_1 in table.headings:
        spec, said = points_in_order(table, spec, field)
        findings += said
        raise_stops(findings)
    table, rows, places, said = located(table, spec, field, decimal)
    findings += said
    ids: Sequence[str] = sample_ids(table, [table.rows[r] for r in rows], spec)
    _, _, kept, said = judge(places, ids, field, where=table.file,
                             keep_outside_m=spec.keep_outside_m, only_inside=spec.only_inside)
    findings += said
    raise_stops(findings)
    return int(kept.sum()), tuple(findings)
