"""How every number on the page is printed: the one place for digits, signs and separators."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

from vrx.model import ANALYTES
from vrx.units import FT_M

MINUS = "−"


def fixed(value: float, decimals: int = 0) -> str:
    """A number with thousands separators, a real minus sign and no negative zero."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:,.{decimals}f}"
    if text.startswith("-"):
        bare = text[1:]
        return bare if not any(c in "123456789" for c in bare) else MINUS + bare
    return text


def signed(value: float, decimals: int = 0) -> str:
    """A difference: always with its sign, "0" without one."""
    text = fixed(value, decimals)
    rounded_to_nothing = not any(c in "123456789" for c in text)
    return text if rounded_to_nothing or text.startswith(MINUS) else f"+{text}"


def acres(value: float) -> str:
    """Acres in tables and on maps, two decimals."""
    return fixed(value, 2)


def step_decimals(step: float) -> int:
    """Decimals that a machine's rate step needs (10 -> 0, 0.25 -> 2), at most 4."""
    exponent = Decimal(repr(float(step))).normalize().as_tuple().exponent
    return min(max(0, -exponent), 4) if isinstance(exponent, int) else 0


def rate(value: float, step: float) -> str:
    """A rate with the digits of its machine step."""
    return fixed(value, step_decimals(step))


def rate_range(rates: Sequence[float], step: float) -> str:
    """ "120" or "80 to 250"."""
    low, high = rate(min(rates), step), rate(max(rates), step)
    return low if low == high else f"{low} to {high}"


def amount(value: float, unit: str) -> str:
    """lb or gal of product: whole units, one decimal below a hundred."""
    return f"{fixed(value, 1 if abs(value) < 100 else 0)} {unit}"


def tons(value: float) -> str:
    """Short tons, two decimals."""
    return fixed(value, 2)


def usd(value: float) -> str:
    """US dollars and cents."""
    text = fixed(value, 2)
    return f"{MINUS}${text[1:]}" if text.startswith(MINUS) else f"${text}"


def usd_whole(value: float) -> str:
    """US dollars for a sentence."""
    return f"${fixed(value, 0)}"


def nutrient(value: float) -> str:
    """lb/ac of K2O or S: whole pounds, one decimal below ten (S is small)."""
    return fixed(value, 0 if abs(value) >= 9.95 or value == 0 else 1)


def pounds(value: float) -> str:
    """Pounds of a nutrient over the field."""
    return fixed(value, 0)


def reading(value: float, analyte: str) -> str:
    """A soil reading with the digits of its analyte."""
    return fixed(value, ANALYTES[analyte].decimals if analyte in ANALYTES else 1)


def spread(value: float, analyte: str) -> str:
    """A standard error: the digits of its analyte, more where it would print as nothing."""
    decimals = ANALYTES[analyte].decimals if analyte in ANALYTES else 1
    while decimals < 4 and value > 0 and round(value, decimals) < 0.95 * value:
        decimals += 1
    return fixed(value, decimals)


def share(value: float) -> str:
    """A fraction as whole percent."""
    return f"{fixed(100 * value, 0)} %"


def distance(value_m: float) -> str:
    """A length on the ground, feet first: "1,180 ft (360 m)"."""
    return f"{fixed(_two_figures(value_m / FT_M))} ft ({fixed(_two_figures(value_m))} m)"


def _two_figures(value: float) -> float:
    if value <= 0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return round(value / unit) * unit


def size(count: int) -> str:
    """A file's size."""
    return f"{fixed(count)} bytes" if count < 10_000 else f"{fixed(count / 1000)} kB"


def listing(words: Sequence[str]) -> str:
    """ "A", "A and B", "A, B and C"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
