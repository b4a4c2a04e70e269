"""`vrx materials`: analysis, density, nutrients per unit, cautions."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from vrx.model import Material

_WIDTH = 80
_NAME = 42
_NUTRIENTS = ("N", "P2O5", "K2O", "S", "Mg", "Cl")
_TON_LB = 2000.0


@click.command("materials")
@click.argument("name", required=False)
@click.option(
    "--from", "extra", multiple=True, type=click.Path(path_type=Path),
    help="A file of your own materials; repeat for several.",
)
@click.option("--json", "as_json", is_flag=True, help="JSON to stdout.")
def command(*, name: str | None, extra: tuple[Path, ...], as_json: bool) -> None:
    """List the materials, or explain one.

    NAME is a material as in the list, for example "muriate of potash 0-0-60". Analyses are mass
    percent as on a label: P2O5, K2O, elemental S.
    """
    from vrx import products
    from vrx.cli import show

    materials = products.load_materials(extra)
    if name is not None:
        one = products.find_material(materials, name, where="vrx materials")
        if as_json:
            show.say_json(_plain(one))
        else:
            show.say("\n".join(_explained(one)))
    elif as_json:
        show.say_json([_plain(one) for one in materials.values()])
    else:
        show.say("\n".join(_listed(list(materials.values()))))


def _listed(materials: Sequence[Material]) -> list[str]:
    lines: list[str] = []
    for form, title in (("dry", "Dry"), ("liquid", "Liquid")):
        heads = "".join(f"{head:>6}" if head == "P2O5" else f"{head:>5}" for head in _NUTRIENTS)
        last = f"{'lb/gal':>7}" if form == "liquid" else ""
        lines += [f"{f'{title}, percent by weight':<{_NAME}}{heads}{last}".rstrip()]
        for one in materials:
            if one.form != form:
                continue
            pct = (one.n_pct, one.p2o5_pct, one.k2o_pct, one.s_pct, one.mg_pct, one.cl_pct)
            cells = "".join(
                f"{_short(value):>6}" if head == "P2O5" else f"{_short(value):>5}"
                for head, value in zip(_NUTRIENTS, pct, strict=True))
            if one.density_lb_per_gal:
                cells += f"{one.density_lb_per_gal:>7.2f}"
            if len(one.id) <= _NAME:
                lines.append(f"{one.id:<{_NAME}}{cells}")
            else:
                lines += [*textwrap.wrap(one.id, _WIDTH), f"{'':<{_NAME}}{cells}"]
        lines.append("")
    return [*lines, "vrx materials NAME explains one: pounds per unit, cautions, sources"]


def _short(value: float) -> str:
    return f"{value:.3g}" if value else "-"


def _explained(one: Material) -> list[str]:
    unit = "gal" if one.form == "liquid" else "lb"
    pure = dict(one.more.pure_salt[1]) if one.more.pure_salt else {}
    lines = [*textwrap.wrap(f"{one.id} ({one.form}, column code {one.code})", _WIDTH)]
    heads = ["label %", *([f"pure {one.more.pure_salt[0]} %"] if one.more.pure_salt else []),
             *(["lb per gal"] if unit == "gal" else ["lb per lb"]), "lb per short ton"]
    lines.append(f"  {'':<6}" + "".join(f"{head:>{len(head) + 2}}" for head in heads))
    for nutrient in _NUTRIENTS:
        per_unit = one.nutrient_lb_per_unit(nutrient)
        if not per_unit:
            continue
        pct = 100 * per_unit / one.lb_per_unit
        cells = [f"{pct:.4g}", *([f"{pure.get(nutrient, 0):.2f}"] if pure else []),
                 f"{per_unit:.3f}", f"{_TON_LB * pct / 100:,.1f}"]
        lines.append(f"  {nutrient:<6}" + "".join(
            f"{cell:>{len(head) + 2}}" for cell, head in zip(cells, heads, strict=True)))
    for title, text in _facts(one):
        lines += textwrap.wrap(f"{title}: {text}", _WIDTH, initial_indent="  ",
                               subsequent_indent="    ")
    return lines


def _facts(one: Material) -> list[tuple[str, str]]:
    """What is held of a material, in the order of reading."""
    more = one.more
    found: list[tuple[str, str]] = []
    if one.parts:
        found.append(("blend", ", ".join(f"{100 * share:.4g} % {name}"
                                         for name, share in one.parts) + " by weight"))
    if one.density_lb_per_gal:
        at = f", {more.density_at}" if more.density_at else ""
        text = (f"{one.density_lb_per_gal:.2f} lb/gal{at}; the load ticket's density goes first"
                " (density_lb_per_gal of the pass)")
        found.append(("density", text))
    if more.bulk_lb_per_ft3:
        low, high = more.bulk_lb_per_ft3
        found.append(("bulk density", f"{low:g} to {high:g} lb/ft3 ({more.bulk_source})"))
    if more.salt_out_below_f is not None:
        text = f"below about {more.salt_out_below_f:g} F ({more.salt_out_source})"
        found.append(("salts out", text))
    if more.salt_index is not None:
        text = f"{more.salt_index:g} ({more.salt_basis}); ranks materials, foretells no injury"
        found.append(("salt index", text))
    if more.s_available:
        found.append((f"S as {one.s_form}" if one.s_form else "S", more.s_available))
    if more.not_for:
        found.append(("never", _never(more.not_for)))
    found += [("also", text) for text in more.facts]
    found.append(("evidence", f"{one.evidence}; {one.source}"))
    return [*found, *(("caution", text) for text in one.cautions)]


_NEVER = {"leaves": "on leaves", "seed furrow": "in the seed furrow", "acid": "with acid",
          "need of this season": "for a need of this season"}


def _never(uses: Sequence[str]) -> str:
    return ", ".join(_NEVER.get(use, use) for use in uses)


def _plain(one: Material) -> dict[str, Any]:
    told = asdict(one)
    told["unit"] = one.unit
    told["lb_per_unit"] = one.lb_per_unit
    told["nutrient_lb_per_unit"] = {n: one.nutrient_lb_per_unit(n) for n in _NUTRIENTS}
    told["nutrient_lb_per_short_ton"] = {
        n: _TON_LB * one.nutrient_lb_per_unit(n) / one.lb_per_unit for n in _NUTRIENTS}
    return told
