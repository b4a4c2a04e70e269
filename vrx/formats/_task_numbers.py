"""Numbers as XML Schema writes them; Python would also take "1_000" and digits of any script."""

from __future__ import annotations

import math
import re

_DECIMAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


def whole(text: str | None) -> int | None:
    """A whole number of at most 12 digits, None for anything else."""
    plain = (text or "").strip()
    digits = plain.removeprefix("-").removeprefix("+")
    fits = digits.isascii() and digits.isdigit() and len(digits) <= 12
    return int(plain) if fits and len(plain) - len(digits) <= 1 else None


def number(text: str | None) -> float:
    """A decimal or double, NaN for anything else (also for its NaN and INF)."""
    plain = (text or "").strip()
    return float(plain) if _DECIMAL.fullmatch(plain) else math.nan
