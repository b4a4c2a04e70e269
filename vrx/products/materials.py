"""Read lists of fertilizer materials: ours and the user's, in one strict form."""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from vrx.errors import PlanError, RuleError
from vrx.formats.toml_file import toml_bytes, toml_document
from vrx.model import Material

OWN_LIST = Path(__file__).with_name("materials.toml")

Evidence = Literal["read", "computed", "from memory", "common practice, no source", "user"]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1)]

# "0-0-25-17S-11Mg" at the end of an id: N-P2O5-K2O, then S and Mg where they are named.
_GRADE = re.compile(
    r"(?<![\d.-])(?P<n>[\d.]+)-(?P<p2o5>[\d.]+)-(?P<k2o>[\d.]+)(?:-(?P<s>[\d.]+)S)?(?:-(?P<mg>[\d.]+)Mg)?$"
)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Analysis(_Strict):
    n_pct: Percent
    p2o5_pct: Percent
    k2o_pct: Percent
    s_pct: Percent
    mg_pct: Percent
    evidence: Evidence
    source: Text


class _Chloride(_Strict):
    cl_pct: Percent
    evidence: Evidence
    source: Text


class _Density(_Strict):
    lb_per_gal: Annotated[float, Field(gt=6, lt=20, allow_inf_nan=False)]
    at: Text
    evidence: Evidence
    source: Text


class _Caution(_Strict):
    text: Text
    evidence: Evidence
    source: Text

    def line(self) -> str:
        if self.source.startswith(self.evidence):
            return f"{self.text} ({self.source})"
        return f"{self.text} ({self.evidence}: {self.source})"


class _Entry(_Strict):
    id: Text
    code: Annotated[str, Field(pattern=r"^[A-Z]{3,4}$")]
    form: Literal["dry", "liquid"]
    s_form: Literal["sulfate", "thiosulfate", "elemental", ""]
    analysis: _Analysis
    chloride: _Chloride | None = None
    density: _Density | None = None
    caution: list[_Caution] = []

    @model_validator(mode="after")
    def _agree(self) -> Self:
        a = self.analysis
        cl = self.chloride.cl_pct if self.chloride else 0.0
        total = a.n_pct + a.p2o5_pct + a.k2o_pct + a.s_pct + a.mg_pct + cl
        # K2O counts oxygen that a chloride does not hold, so pure KCl adds up to 110.7.
        if total > 111:
            raise ValueError(f"the percents add up to {total:g}, more than any salt holds")
        if total <= 0:
            raise ValueError("the analysis is 0 for every nutrient")
        if (self.form == "liquid") != (self.density is not None):
            raise ValueError("a liquid needs a [material.density], a dry material has none")
        if (a.s_pct > 0) != (self.s_form != ""):
            raise ValueError('s_form must name the form of the S, and be "" where s_pct is 0')
        _check_grade(self.id, a)
        return self


class _List(_Strict):
    # `schema` is the key's name in the file; the attribute would shadow one of pydantic's.
    schema_: Annotated[Literal[1], Field(alias="schema")]
    material: Annotated[list[_Entry], Field(min_length=1)]


def _check_grade(name: str, analysis: _Analysis) -> None:
    found = _GRADE.search(name)
    if found is None:
        return
    for part, text in found.groupdict().items():
        said = float(text or 0)
        holds = float(getattr(analysis, f"{part}_pct"))
        if abs(said - holds) > 1e-9:
            raise ValueError(f"the id says {said:g} % for {part}_pct, the analysis {holds:g} %")


def load_materials(extra: Sequence[Path] = ()) -> Mapping[str, Material]:
    """All materials by id: the built-in list, then each of the user's lists, in that order.

    `extra` are TOML files of the same form as the built-in list. Raises `RuleError` that names
    file, key, value and nearest key for a file that does not fit, and for an id given twice.
    """
    found: dict[str, Material] = {}
    origin: dict[str, Path] = {}
    for path in (OWN_LIST, *extra):
        for material in _own() if path == OWN_LIST else _parse(path):
            name = _plain(material.id)
            if name in origin:
                raise RuleError(
                    f"material {material.id!r} is already given in {origin[name].name}",
                    code="material-duplicate", where=path.name,
                    hint="give the material in your list an id of its own",
                )
            origin[name] = path
            found[material.id] = material
    return MappingProxyType(found)


def find_material(materials: Mapping[str, Material], name: str, *, where: str = "") -> Material:
    """The material of that id; capitals and spaces do not count.

    Raises `PlanError` that lists the nearest ids.
    """
    plain = {_plain(key): material for key, material in materials.items()}
    hit = plain.get(_plain(name))
    if hit is not None:
        return hit
    near = difflib.get_close_matches(_plain(name), plain, n=3, cutoff=0.4)
    listed = ", ".join(plain[key].id for key in near) or ", ".join(sorted(materials))
    raise PlanError(
        f"unknown material {name!r}", code="material-unknown", where=where,
        hint=f"nearest: {listed}; or add a materials list of your own",
    )


def materials_sha256(extra: Sequence[Path] = ()) -> str:
    """SHA-256 over the bytes of the built-in list and the user's lists, in order.

    Each file counts with its length, so that moving text from one file to the next shows.
    """
    digest = hashlib.sha256()
    for path in (OWN_LIST, *extra):
        data = _read(path)
        digest.update(len(data).to_bytes(8, "big"))
        digest.update(data)
    return digest.hexdigest()


@lru_cache(maxsize=1)
def _own() -> tuple[Material, ...]:
    return _parse(OWN_LIST)


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def _read(path: Path) -> bytes:
    def refuse(what: str, hint: str) -> RuleError:
        return RuleError(f"the materials list {what}", code="material-file", where=str(path),
                         hint=hint)

    return toml_bytes(path, refuse=refuse)


def _parse(path: Path) -> tuple[Material, ...]:
    def refuse(what: str, hint: str) -> RuleError:
        return RuleError(f"the materials list {what}", code="material-file", where=path.name,
                         hint=hint)

    raw = toml_document(_read(path), refuse=refuse)
    try:
        checked = _List.model_validate(raw)
    except ValidationError as error:
        raise RuleError(
            "; ".join(_problem(item["loc"], item["type"], item["msg"], item["input"], raw)
                      for item in error.errors()),
            code="material-schema", where=path.name,
            hint="compare with the built-in list, which has the same form",
        ) from error
    return tuple(_material(entry) for entry in checked.material)


def _problem(
    loc: tuple[int | str, ...], kind: str, message: str, value: object, raw: dict[str, object]
) -> str:
    place = ""
    for part in loc:
        place += f" {part + 1}" if isinstance(part, int) else f"{'.' if place else ''}{part}"
    if len(loc) > 1 and loc[0] == "material" and isinstance(loc[1], int):
        listed = raw["material"]
        entry = listed[loc[1]] if isinstance(listed, list) else None
        if isinstance(entry, dict) and "id" in entry:
            place += f" ({entry['id']})"
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(str(loc[-1]), _known(loc), n=1, cutoff=0.4)
        return f"{place}: unknown key" + (f"; nearest known key: {near[0]}" if near else "")
    shown = "" if isinstance(value, dict | list) else f" (value {value!r})"
    return f"{place}: {message.removeprefix('Value error, ')}{shown}"


def _known(loc: tuple[int | str, ...]) -> list[str]:
    parts: dict[str, type[BaseModel]] = {
        "analysis": _Analysis, "chloride": _Chloride, "density": _Density, "caution": _Caution,
        "material": _Entry,
    }
    inner = [part for part in loc[:-1] if isinstance(part, str)]
    model = parts[inner[-1]] if inner else _List
    return [field.alias or name for name, field in model.model_fields.items()]


def _material(entry: _Entry) -> Material:
    groups = {"analysis": entry.analysis, "chloride": entry.chloride, "density": entry.density}
    given = {name: group for name, group in groups.items() if group is not None}
    analysis = entry.analysis
    source = [f"{name}: {group.source}" for name, group in given.items()]
    if entry.density:
        source.append(f"density stands for {entry.density.at}")
    return Material(
        id=entry.id, code=entry.code, form=entry.form,
        n_pct=float(analysis.n_pct), p2o5_pct=float(analysis.p2o5_pct),
        k2o_pct=float(analysis.k2o_pct), s_pct=float(analysis.s_pct),
        mg_pct=float(analysis.mg_pct), cl_pct=float(entry.chloride.cl_pct if entry.chloride else 0),
        density_lb_per_gal=float(entry.density.lb_per_gal) if entry.density else None,
        s_form=entry.s_form, cautions=tuple(caution.line() for caution in entry.caution),
        evidence="; ".join(f"{name}: {group.evidence}" for name, group in given.items()),
        source="; ".join(source),
    )
