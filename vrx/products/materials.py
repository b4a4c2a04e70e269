"""Read lists of fertilizer materials: ours and the user's, in one strict form."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

from pydantic import ValidationError

from vrx.errors import PlanError, RuleError
from vrx.formats.toml_file import toml_bytes, toml_document
from vrx.model import Finding, Material
from vrx.products.blends import Blend, mix
from vrx.products.materials_form import MaterialList, material_of, problem

OWN_LIST = Path(__file__).with_name("materials.toml")


def load_materials(extra: Sequence[Path] = ()) -> Mapping[str, Material]:
    """All materials by id: the built-in list, then each of the user's lists, in that order.

    `extra` are TOML files of the same form as the built-in list; their `[[blend]]` entries come
    after all materials, and a blend may use one that stands before it. Raises `RuleError` that
    names file, key, value and nearest key for a file that does not fit, and for an id given twice.
    """
    found: dict[str, Material] = {}
    origin: dict[str, str] = {}
    blends: list[tuple[Path, Blend]] = []
    for path in (OWN_LIST, *extra):
        own, mixed = _own() if path == OWN_LIST else _parse(path)
        for material in own:
            _add(found, origin, material, path.name)
        blends += [(path, blend) for blend in mixed]
    for path, blend in blends:
        made, _ = mix(blend, found, where=f"{path.name}, blend {blend.id}")
        _add(found, origin, made, path.name)
    return MappingProxyType(found)


def add_blends(
    materials: Mapping[str, Material], blends: Sequence[Blend], *, where: str
) -> tuple[Mapping[str, Material], tuple[Finding, ...]]:
    """The materials with a plan's blends, and what is to be told of them.

    Raises as `mix` and `load_materials` do.
    """
    found = dict(materials)
    origin = {_plain(name): "the materials lists" for name in found}
    told: list[Finding] = []
    for blend in blends:
        made, said = mix(blend, found, where=f"{where} {blend.id}")
        _add(found, origin, made, where)
        told += said
    return MappingProxyType(found), tuple(told)


def _add(
    found: dict[str, Material], origin: dict[str, str], material: Material, where: str
) -> None:
    name = _plain(material.id)
    if name in origin:
        raise RuleError(
            f"material {material.id!r} is already given in {origin[name]}",
            code="material-duplicate", where=where,
            hint="give the material in your list an id of its own",
        )
    origin[name] = where
    found[material.id] = material


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
def _own() -> tuple[tuple[Material, ...], tuple[Blend, ...]]:
    return _parse(OWN_LIST)


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def _read(path: Path) -> bytes:
    def refuse(what: str, hint: str) -> RuleError:
        return RuleError(f"the materials list {what}", code="material-file", where=str(path),
                         hint=hint)

    return toml_bytes(path, refuse=refuse)


def _parse(path: Path) -> tuple[tuple[Material, ...], tuple[Blend, ...]]:
    def refuse(what: str, hint: str) -> RuleError:
        return RuleError(f"the materials list {what}", code="material-file", where=path.name,
                         hint=hint)

    raw = toml_document(_read(path), refuse=refuse)
    try:
        checked = MaterialList.model_validate(raw)
    except ValidationError as error:
        raise RuleError(
            "; ".join(problem(one, raw) for one in error.errors()),
            code="material-schema", where=path.name,
            hint="compare with the built-in list, which has the same form",
        ) from error
    blends = tuple(
        Blend(id=one.id, code=one.code, by=one.by, density_lb_per_gal=one.density_lb_per_gal,
              parts=tuple((part.material, part.parts) for part in one.part))
        for one in checked.blend
    )
    return tuple(material_of(entry) for entry in checked.material), blends
