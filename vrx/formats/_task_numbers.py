"""Numbers as XML Schema writes them; Python would also take "1_000" and digits of any script."""

from __future__ import annotations

import math


def whole(text: str | None) -> int | None:
    """A whole number of at most 12 digits, None for anything else."""
    plain = (text or "").strip()
    digits = plain.removeprefix("-").removeprefix("+")
    fits = digits.isascii() and digits.isdigit() and len(digits) <= 12
    return int(plain) if fits and len(plain) - len(digits) <= 1 else None


def number(text: str | None) -> float:
    """A decimal or double, NaN for anything else (also for its NaN and INF)."""
    plain = (text or "").strip()
    if not plain.isascii() or "_" in plain or plain.lower().lstrip("+-")[:1] in {"i", "n"}:
        return math.nan
    try:
        return float(plain)
    except ValueError:
        return math.nan
