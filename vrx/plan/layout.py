"""A laboratory's column map: the keys of `[soil]` that all its tables share, saved once by name.

    schema = 1
    laboratory = "..."

    [soil]
    id_column = "Sample ID"

    [soil.potassium]
    column = "K_ppm"
    ...

The file holds no name of a field, no coordinate system, no report number and no choice of samples:
those belong to the plan, whose keys win over the map's.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, create_model

from vrx.errors import PlanError
from vrx.model import Finding, note
from vrx.plan.base import Section, Text
from vrx.plan.load import blanks, describe, load_plan, read_document
from vrx.plan.schema import AnalyteSection, SoilSection

KEYS = (
    "sheet", "id_column", "position_column", "degrees_as", "longitude_column",
    "latitude_column", "easting_column", "northing_column", "zone_column", "longitudes_are_west",
    "longitudes_are_east", "latitudes_are_south", "date_column", "date_order",
    "lab_column", "report_column", "depth_column", "depth", "depth_top_column",
    "depth_bottom_column", "depth_unit", "analyte_column", "value_column", "unit_column",
    "method_column", "reruns", "year_column", "point_order", "decimal_mark",
)
# Ways to say the same thing: where the plan says it one way, the map's other way is out.
_INSTEAD = (
    ({"longitude_column", "latitude_column"},
     {"easting_column", "northing_column", "zone_column"}),
    ({"position_column"}, {"longitude_column", "latitude_column", "easting_column",
                           "northing_column", "zone_column"}),
    ({"depth_column"}, {"depth_top_column", "depth_bottom_column", "depth_unit"}),
    ({"unit"}, {"unit_column"}),
    ({"column"}, {"analyte_is", "method_is"}),
)


def _optional(model: type[Section], keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: (model.model_fields[key].annotation, model.model_fields[key].default)
            for key in keys}


_LayoutAnalyte = create_model(
    "LayoutAnalyte", __base__=Section, **_optional(AnalyteSection, tuple(
        AnalyteSection.model_fields)))
_ANALYTES: dict[str, Any] = dict.fromkeys(SoilSection.ANALYTES, (_LayoutAnalyte | None, None))
_LayoutSoil = create_model(
    "LayoutSoil", __base__=Section, **{**_optional(SoilSection, KEYS), **_ANALYTES})


class Layout(Section):
    """A column map, strict as the plan is."""

    schema_number: Literal[1] = Field(alias="schema")
    laboratory: Text | None = None
    soil: _LayoutSoil  # type: ignore[valid-type]


def _document(path: Path) -> dict[str, Any]:
    """A column map as plain values, checked. Raises `PlanError`."""
    if not os.path.isfile(path):
        raise PlanError("there is no such column map", code="plan-layout-missing", where=str(path),
                        hint="name it in [soil] as layout, relative to the plan; one is made by "
                        "vrx check FOLDER --save-layout FILE")
    return _checked(read_document(path), where=str(path))


def _checked(document: dict[str, Any], *, where: str) -> dict[str, Any]:
    open_keys = blanks(document)
    if open_keys:
        raise PlanError(f"still to be filled in: {', '.join(open_keys)}", code="plan-layout-blank",
                        where=where, hint="a column map holds what is known; leave the key out")
    try:
        Layout.model_validate(document)
    except ValidationError as err:
        text = "; ".join(describe(one, root=Layout) for one in err.errors(include_url=False))
        raise PlanError(text, code="plan-layout-value", where=where,
                        hint="a column map holds only what all tables of the laboratory share; the "
                        "rest stays in the plan") from err
    return document


def _merge(
    plan: Mapping[str, Any], layout: Mapping[str, Any], at: str, said: list[str]
) -> dict[str, Any]:
    made = dict(plan)
    out: set[str] = set()
    for one, other in _INSTEAD:
        for mine, theirs in ((one, other), (other, one)):
            if mine & set(plan):
                out |= theirs
    for key, value in layout.items():
        own = plan.get(key)
        if isinstance(own, Mapping) and isinstance(value, Mapping):
            made[key] = _merge(own, value, f"{at}.{key}", said)
        elif key in plan:
            if own != value:
                said.append(f"{at}.{key}: {own!r}, not {value!r}")
        elif key in out:
            said.append(f"{at}.{key}: not {value!r}, the plan says it another way")
        else:
            made[key] = value
    return made


def _merged(document: Mapping[str, Any], folder: Path) -> tuple[dict[str, Any], list[Finding]]:
    soil = document.get("soil")
    name = soil.get("layout") if isinstance(soil, Mapping) else None
    if not isinstance(soil, Mapping) or not isinstance(name, str) or name == "?":
        return dict(document), []
    layout = _document(folder / name)
    said: list[str] = []
    made = _merge(soil, layout["soil"], "soil", said)
    laboratory = layout.get("laboratory")
    if laboratory and not {"lab", "lab_column"} & set(made):
        made["lab"] = laboratory
    findings = [note("plan-layout", name, f"column map of {laboratory or 'a laboratory'}",
                     done="used for what the plan does not say")]
    if said:
        findings.append(note("plan-layout-overridden", name,
                             f"the plan differs: {'; '.join(said)}", done="the plan wins"))
    return {**document, "soil": made}, findings


def with_layout(document: Mapping[str, Any], *, folder: Path) -> dict[str, Any]:
    """A plan's document completed by the column map that its `[soil]` names, if any.

    Keys of the plan win. Raises `PlanError` for a map that is missing or wrong.
    """
    return _merged(document, folder)[0]


def layout_findings(plan_file: Path) -> tuple[Finding, ...]:
    """Notes on the column map of a plan file and on the keys where the plan overrules it."""
    return tuple(_merged(read_document(plan_file), plan_file.parent)[1])


def layout_text(soil: SoilSection) -> str:
    """The column map of a plan's soil section, as TOML."""
    told = soil.model_dump(exclude_defaults=True)
    lines = ["# Column map of a laboratory's tables; [soil] of a plan names it as its layout.",
             "# Check units, forms, extractants and depths against each new report.", "schema = 1"]
    if soil.lab:
        lines.append(f"laboratory = {_value(soil.lab)}")
    lines += ["", "[soil]"]
    if soil.sheet and re.search(r"(19|20)\d\d", soil.sheet):
        lines.append(f"# No sheet: {_value(soil.sheet)} carries a year; next year's is found by "
                     "its headings.")
        del told["sheet"]
    lines += [f"{k} = {_value(told[k])}" for k in KEYS if k in told]
    for analyte in soil.analytes():
        lines += ["", f"[soil.{analyte}]",
                  *(f"{k} = {_value(v)}" for k, v in told[analyte].items())]
    return "\n".join([*lines, ""])


def _value(value: Any) -> str:
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    # JSON and TOML agree on text, true and false, and plain numbers.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def save_layout(plan_file: Path, target: Path) -> Path:
    """Write the column map of a complete plan. A file that is there is never overwritten.

    Raises `PlanError` if there is one, if it cannot be written, or if the plan is not complete.
    """
    text = layout_text(load_plan(plan_file).soil)
    _checked(tomllib.loads(text), where=str(target))
    if target.exists():
        raise PlanError("there is a file already", code="plan-layout-exists", where=str(target),
                        hint="choose another name, or remove the old map first")
    scratch = target.with_name(target.name + ".new")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        scratch.write_text(text, encoding="utf-8", newline="\n")
        os.replace(scratch, target)
    except OSError as err:
        raise PlanError(f"could not be written: {err.strerror or err}", code="plan-layout-write",
                        where=str(target), hint="is the folder writable?") from err
    return target
