"""What lies in a field's folder: each file, what it seems to be, and what the plan takes it for."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vrx import intake
from vrx.errors import VrxError
from vrx.plan import PLAN_NAME

BOUNDARY, SAMPLES, POINTS = "boundary", "soil tests", "points"
_OWN = frozenset({PLAN_NAME, "signed.jsonl", "edits.jsonl", "applied.toml"})
_PARTS = frozenset({".dbf", ".shx", ".prj", ".cpg", ".sbn", ".sbx", ".qix"})
_VECTOR = frozenset({".geojson", ".shp", ".zip", ".gpkg", ".kml", ".kmz"})
_TABLE = frozenset({".csv", ".txt", ".tsv", ".xlsx", ".xlsm", ".json", ".xml"})
_RASTER = frozenset({".tif", ".tiff"})
_PEEK_BYTES = 30 << 20
_HARVEST = re.compile(r"yield|dry.?matter|moisture|swath|flow|tonnage|bale", re.IGNORECASE)
_WATER = re.compile(r"\bso4|sulfate|bicarbonate|chloride|\bsar\b|conductivity|\bec\b|nitrate",
                    re.IGNORECASE)
_SOIL_ALONE = frozenset({"CEC", "organic matter"})
_PLANT = re.compile(r"tissue|plant.?part|stage|\b[ksn]_?pct\b|crude", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenFile:
    """One file (a shapefile with its parts is one). `seems` is a proposal in words.

    `kind` is `BOUNDARY`, `SAMPLES`, `POINTS` or "" for what a first plan does not name; `used_as`
    is the key of the plan that names it, "" for none. `facts` say what is inside, `layers` are the
    layers or sheets to choose from where there are several, `points` is the layer of points that
    a boundary file holds too, "" for none or several, `trouble` why it cannot be read.
    """

    name: str
    bytes: int
    kind: str
    seems: str
    facts: tuple[str, ...]
    used_as: str
    layers: tuple[str, ...] = ()
    points: str = ""
    trouble: str = ""
    hint: str = ""


def plain_name(analyte: str) -> str:
    """An analyte in words, without its unit."""
    return {"cec": "CEC", "ph": "pH"}.get(analyte, analyte.replace("_", " "))


def files_of(folder: Path) -> tuple[Path, ...]:
    """Files of a folder that a user brought, by name; parts of a shapefile stay with it."""
    try:
        every = sorted((one for one in folder.iterdir() if not one.name.startswith(".")
                        and not one.is_symlink()), key=lambda one: one.name.casefold())
    except OSError:
        return ()
    stems = {one.stem for one in every if one.suffix.lower() == ".shp"}
    return tuple(
        one for one in every
        if (one.is_file() and one.name not in _OWN and not one.name.endswith(".new")
            and not (one.suffix.lower() in _PARTS and one.stem in stems))
        or (one.is_dir() and (one / "TASKDATA.XML").is_file()))


def used_files(document: Mapping[str, Any]) -> dict[str, str]:
    """File name -> key of the plan that names it, for files that lie beside the plan."""
    def walk(value: Any, at: str) -> Iterator[tuple[str, str]]:
        if isinstance(value, Mapping):
            for key, inner in value.items():
                yield from walk(inner, f"{at}.{key}" if at else str(key))
        elif isinstance(value, list):
            for inner in value:
                yield from walk(inner, at)
        elif isinstance(value, str) and "." in value and len(value) < 300:
            yield value.removeprefix("./"), at

    found: dict[str, str] = {}
    for name, key in walk(document, ""):
        found.setdefault(name, key)
    return found


def seen_file(path: Path, *, used: Mapping[str, str]) -> SeenFile:
    """A first look at one file; what cannot be read says why, and raises nothing of ours."""
    key = used.get(path.name, "")
    size = path.stat().st_size if path.is_file() else 0
    kind, seems, trouble, hint = "", "", "", ""
    facts: tuple[str, ...] = ()
    layers: tuple[str, ...] = ()
    points = ""
    suffix = path.suffix.lower()
    try:
        if path.is_dir():
            seems = "task data of ISO 11783-10"
        elif suffix in _VECTOR:
            kind, seems, facts, layers, points = _vector(path)
        elif suffix in _TABLE:
            kind, seems, facts = _table(path, size)
        elif suffix in _RASTER:
            seems = "a raster: a layer such as elevation or conductivity"
        elif suffix in _PARTS:
            seems = f"part of a shapefile whose {path.stem}.shp is missing: bring all its parts"
        elif suffix == ".toml":
            seems = "a rule book, materials or a column map of your own"
        else:
            seems = "something that vrx does not read"
    except VrxError as err:
        first = err.findings[0] if err.findings else None
        trouble = first.line() if first is not None else err.message
        hint, seems = err.hint, "cannot be read as it is"
        kind = BOUNDARY if suffix in _VECTOR else SAMPLES if suffix in _TABLE else ""
    return SeenFile(name=path.name, bytes=size, kind=kind, seems=seems, facts=facts, used_as=key,
                    layers=layers, points=points, trouble=trouble, hint=hint)


def _vector(path: Path) -> tuple[str, str, tuple[str, ...], tuple[str, ...], str]:
    peek = intake.peek_boundary(path)
    facts = []
    for one in peek.layers:
        acres = "" if one.area_ac is None else f", {one.area_ac:,.2f} ac"
        shapes = f"{one.features} {one.kind}{'s' * (one.features != 1)}{acres}"
        facts.append(f"{one.name}: {shapes}" if len(peek.layers) > 1 else shapes)
    kinds = {one.kind for one in peek.layers}
    layers = tuple(one.name for one in peek.layers) if len(peek.layers) > 1 else ()
    if "polygon" in kinds:
        several = any(one.features > 1 for one in peek.layers if one.kind == "polygon")
        seems = "a boundary, or zones of your own" if several else "the field's boundary"
        held = [one.name for one in peek.layers if one.kind == "point"]
        return (BOUNDARY, seems, tuple(facts[:6]), layers,
                held[0] if len(held) == 1 else "")
    if "point" in kinds:
        return SAMPLES, "points: soil tests, or a layer", tuple(facts[:6]), layers, ""
    if "line" in kinds:
        return BOUNDARY, "lines: a boundary where they close", tuple(facts[:6]), layers, ""
    return "", "a file without shapes", tuple(facts[:6]), layers, ""


def _table(path: Path, size: int) -> tuple[str, str, tuple[str, ...]]:
    if size > _PEEK_BYTES:
        return "", "a large table: a yield log, or a layer of points", ()
    table = intake.propose_columns(path)
    analytes = sorted({plain_name(one.key) for one in (*table.columns, *table.analytes)
                       if one.is_analyte})
    headings = " | ".join(one.heading for one in table.columns)
    facts = [f"{table.rows:,} rows, {len(table.columns)} columns"]
    places = any(table.column_for(key) for key in (
        "longitude_column", "position_column", "easting_column"))
    of_soil = not _SOIL_ALONE.isdisjoint(analytes)
    if len(analytes) > 1 and (places or of_soil or not _WATER.search(headings)):
        facts.append("columns that read like " + ", ".join(analytes))
        return SAMPLES, "soil tests", tuple(facts)
    guesses = (
        (places and bool(_HARVEST.search(headings)), "", "a yield log, or a layer of points"),
        (not places and bool(_WATER.search(headings)), "", "a water test"),
        (bool(_PLANT.search(headings)), "", "a plant test"),
        (bool(analytes), SAMPLES, "soil tests, perhaps"),
        (places, POINTS, "places"),
        (True, "", "a table"),
    )
    kind, seems = next((kind, seems) for fits, kind, seems in guesses if fits)
    return kind, seems, tuple(facts)
