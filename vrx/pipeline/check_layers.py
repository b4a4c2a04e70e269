"""`check` for layers: what the file of each `[[layer]]` holds, whether or not it is filled in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vrx import intake
from vrx.errors import VrxError
from vrx.model import Field, Finding, stop
from vrx.plan import BLANK, blanks

_PLACES = ("longitude_column", "latitude_column", "easting_column", "northing_column")


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenLayer:
    """The file of one layer: a raster's facts and bands, or a table's columns.

    `facts` are (what, value) in words; `headings` and `rows` make a table of bands or columns. All
    is shown as the file has it; what looks like something is a proposal that nothing uses.
    """

    name: str
    file: str
    facts: tuple[tuple[str, str], ...]
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def seen_layers(
    document: Mapping[str, Any], *, folder: Path, field: Field | None
) -> tuple[tuple[SeenLayer, ...], tuple[Finding, ...]]:
    """Every `[[layer]]` that names a file; what cannot be read becomes a stop finding."""
    told = document.get("layer", [])
    told = [told] if isinstance(told, dict) else told
    seen: list[SeenLayer] = []
    found: list[Finding] = []
    for number, one in enumerate(told if isinstance(told, list) else [], 1):
        if not isinstance(one, dict) or not _said(one, "file"):
            continue
        name = _said(one, "name") or str(number)
        path = folder / one["file"]
        # With a column named it is a table, with a band a raster; else the file's name tells.
        raster = "value_column" not in one and ("band" in one or intake.looks_like_raster(path))
        try:
            if raster:
                layer, findings = _raster(name, path, field=field, crs=_said(one, "crs"))
                found += findings
            elif "value_column" in one and not blanks(one):
                continue  # nothing is open, and a log of a million rows takes its time
            else:
                layer = _table(name, path, one)
        except VrxError as err:
            found.append(stop(
                err.code, f"[[layer]] {name}, {err.where}", err.message, todo=err.hint))
            continue
        seen.append(layer)
    return tuple(seen), tuple(found)


def _said(told: Mapping[str, Any], key: str) -> str | None:
    value = told.get(key)
    return value if isinstance(value, str) and value.strip() and value != BLANK else None


def _raster(
    name: str, path: Path, *, field: Field | None, crs: str | None
) -> tuple[SeenLayer, tuple[Finding, ...]]:
    peek = intake.peek_raster(path, field=field, crs=crs)
    across, down = peek.pixel
    size = "" if peek.pixel_m is None else f", about {peek.pixel_m:.3g} m at the field"
    bands = f"{len(peek.bands)} band{'s' * (len(peek.bands) > 1)}"
    facts = [
        ("raster", f"{peek.driver}, {peek.width:,} x {peek.height:,} pixels, {bands}"),
        ("system", peek.crs or "not stated"),
        ("pixel", f"{across:.6g} x {down:.6g} in units of that system{size}"),
    ]
    if peek.every > 1:
        facts.append(("looked at", f"every {peek.every}. row and column"))
    rows = tuple(_band(one) for one in peek.bands)
    headings = ("band", "says of itself", "no data", "covered", "least", "mean", "greatest",
                "may be no data")
    return SeenLayer(name=name, file=peek.file, facts=tuple(facts), headings=headings,
                     rows=rows), peek.findings


def _band(one: intake.BandPeek) -> tuple[str, ...]:
    scaled = "" if (one.scale, one.offset) == (1.0, 0.0) else (
        f"x {one.scale:g} {one.offset:+g}")
    says = ", ".join(part for part in (one.description, one.unit, one.kind, scaled) if part)
    figures = ["-" if v is None else f"{v:,.6g}" for v in (one.least, one.mean, one.greatest)]
    return (
        str(one.number), says, one.no_data or "not stated",
        "-" if one.share is None else f"{100 * one.share:.1f} %", *figures,
        ", ".join(f"{v:.9g}" for v in one.may_be_no_data) or "-",
    )


def _table(name: str, path: Path, told: Mapping[str, Any]) -> SeenLayer:
    peek = intake.peek_table(path, sheet=_said(told, "sheet"), layer=_said(told, "layer"))
    likely = {heading: key for key, heading in peek.proposals.items() if key in _PLACES}
    rows = tuple(
        (heading, ", ".join(values), kind, likely.get(heading, "-"))
        for (heading, values), kind in zip(peek.headings, peek.kinds, strict=True)
    )
    facts = [("table", f"{peek.rows:,} rows, {peek.source}")]
    if peek.points_have_geometry:
        facts.append(("places", "points of the file itself; no columns of coordinates needed"))
    return SeenLayer(name=name, file=peek.file, facts=tuple(facts), rows=rows,
                     headings=("heading", "first values", "holds", "may be"))
