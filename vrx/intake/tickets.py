"""Scale and tank tickets: what was delivered and carried back, from a CSV file."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from vrx.errors import InputError
from vrx.intake._files import require_size
from vrx.units import SHORT_TON_LB

COLUMNS = ("ticket", "material", "amount", "unit", "what")
WHAT = ("delivered", "carried back")
_MOST_BYTES = 4 << 20
_MASS_LB = {"lb": 1.0, "short ton": SHORT_TON_LB}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """One weighing: `amount` in lb or gal of material, below 0 where it was carried back."""

    ticket: str
    material: str
    amount: float
    unit: str


def read_tickets(*, path: Path, lb_per_gal: Mapping[str, float | None]) -> tuple[Ticket, ...]:
    """Tickets of a CSV with the columns ticket, material, amount, unit, what.

    `unit` is "lb", "short ton" or "gal", `what` "delivered" or "carried back". Liquids (materials
    with a density in `lb_per_gal`) are given in gal, weights of them converted by it. Raises
    `InputError` for other columns, units, words and numbers, and a ticket that stands twice.
    """
    where = path.name or str(path)
    try:
        require_size(path)
        if path.stat().st_size > _MOST_BYTES:
            raise InputError("has more than 4 MiB", code="tickets-size", where=where,
                             hint="give the tickets of one pass")
        rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig")), strict=True)
        missing = [name for name in COLUMNS if name not in (rows.fieldnames or ())]
        if missing:
            raise InputError(f"has no column {missing[0]!r}", code="tickets-columns", where=where,
                             hint=f"its first line reads: {','.join(COLUMNS)}")
        found = tuple(_ticket(row, f"{where}, line {rows.line_num}", lb_per_gal) for row in rows)
    except InputError:
        raise
    except OSError as err:
        raise InputError(f"cannot be read: {err.strerror or err}", code="file-unreadable",
                         where=path.name or str(path), hint="name the file of tickets") from err
    except (ValueError, csv.Error) as err:
        raise InputError(f"is no CSV in UTF-8: {err}", code="tickets-columns", where=where,
                         hint="save it as CSV, UTF-8") from err
    names = [(one.ticket, one.amount < 0) for one in found if one.ticket]
    twice = next((name for name, _ in names if names.count((name, False)) > 1), None)
    if twice is not None:
        raise InputError(f"ticket {twice!r} stands twice", code="tickets-twice", where=where,
                         hint="take one out, or it is counted twice")
    return found


def _ticket(
    row: Mapping[str, str | None], where: str, lb_per_gal: Mapping[str, float | None]
) -> Ticket:
    told = {name: (row.get(name) or "").strip() for name in COLUMNS}
    if told["what"] not in WHAT:
        raise InputError(f"what is {told['what']!r}", code="tickets-value", where=where,
                         hint=f"write {' or '.join(WHAT)}")
    try:
        amount = float(told["amount"])
    except ValueError:
        amount = math.nan
    if not (math.isfinite(amount) and amount >= 0):
        raise InputError(f"amount {told['amount']!r} is no number of 0 or more",
                         code="tickets-value", where=where,
                         hint="plain numbers with a decimal point; what says which way it went")
    density = lb_per_gal.get(told["material"])
    if told["material"] not in lb_per_gal:
        raise InputError(f"material {told['material']!r} is not this pass's", code="tickets-value",
                         where=where, hint=f"this pass carries {', '.join(lb_per_gal)}")
    if told["unit"] == "gal" and density is not None:
        unit = "gal"
    elif told["unit"] in _MASS_LB:
        amount *= _MASS_LB[told["unit"]]
        unit = "lb" if density is None else "gal"
        amount /= density or 1.0
    else:
        raise InputError(f"unit {told['unit']!r} does not fit {told['material']}",
                         code="tickets-value", where=where,
                         hint="lb or short ton; gal for a liquid")
    sign = 1.0 if told["what"] == "delivered" else -1.0
    return Ticket(ticket=told["ticket"], material=told["material"], amount=sign * amount, unit=unit)
