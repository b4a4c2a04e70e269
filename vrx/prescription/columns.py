"""Names of the rate columns, short enough for every file format."""

from __future__ import annotations

from collections.abc import Sequence

from vrx.errors import PlanError
from vrx.model import PassPlan

LONGEST = 10
"""Characters of a field name in a dBASE III table, which a shapefile carries."""


def column_names(plans: Sequence[PassPlan]) -> tuple[str, ...]:
    """`P1_KCL_LB` or `P2_KTHI_GA`: pass number, material, unit; at most 10 ASCII characters.

    From pass 10 on, a long name loses the underscore after the number. Raises `PlanError` where a
    name cannot be made short enough, or two are equal.
    """
    names = []
    for plan in plans:
        rest = f"{plan.material.code}_{'GA' if plan.material.form == 'liquid' else 'LB'}"
        name = f"P{plan.number}_{rest}"
        if len(name) > LONGEST:
            name = f"P{plan.number}{rest}"
        where = f"pass {plan.pass_id}"
        if len(name) > LONGEST or not name.isascii():
            raise PlanError(f"no column name of {LONGEST} characters: {name}",
                            code="prescription-column", where=where,
                            hint="number the passes from 1 to 99")
        if name in names:
            raise PlanError(f"column {name} is needed twice", code="prescription-column",
                            where=where, hint="give every pass a number of its own")
        names.append(name)
    return tuple(names)
