"""`vrx materials`: analysis, density, nutrients per unit, cautions."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("materials")
@click.argument("name", required=False)
@click.option(
    "--from", "extra", multiple=True, type=click.Path(path_type=Path),
    help="A file of your own materials; repeat for several.",
)
def command(*, name: str | None, extra: tuple[Path, ...]) -> None:
    """List the materials, or explain one.

    NAME is a material as in the list, for example "muriate of potash 0-0-60". Analyses are mass
    percent as on a label: P2O5, K2O, elemental S.
    """
    from vrx import products
    from vrx.cli import show

    materials = products.load_materials(extra)
    if name is not None:
        one = products.find_material(materials, name, where="vrx materials")
        show.say(f"{one.id} ({one.form}, column code {one.code})")
        for nutrient in ("N", "P2O5", "K2O", "S", "Mg", "Cl"):
            per_unit = one.nutrient_lb_per_unit(nutrient)
            if per_unit:
                show.say(f"  {nutrient:<5}{per_unit:8.3f} lb per {one.unit.removesuffix('/ac')}")
        if one.density_lb_per_gal:
            show.say(f"  density {one.density_lb_per_gal:g} lb/gal")
        show.say(f"  evidence: {one.evidence}; {one.source}")
        for caution in one.cautions:
            show.say(f"  caution: {caution}")
        return
    show.table(
        "Materials (mass percent)",
        ["material", "form", "N", "P2O5", "K2O", "S", "Mg", "Cl", "lb/gal", "S as"],
        [
            [
                m.id, m.form, f"{m.n_pct:g}", f"{m.p2o5_pct:g}", f"{m.k2o_pct:g}", f"{m.s_pct:g}",
                f"{m.mg_pct:g}", f"{m.cl_pct:g}",
                "" if m.density_lb_per_gal is None else f"{m.density_lb_per_gal:g}", m.s_form,
            ]
            for m in materials.values()
        ],
        left=2,
    )
