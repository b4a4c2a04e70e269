"""Short ways to a reading and to needs, for this folder only."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest

from vrx.model import ANALYTES, Need, Yield, ZoneReading
from vrx.rules import load_books, needs

Ask = Callable[..., tuple[Need, ...]]


def make_reading(analyte: str, *values: float, extractant: str = "",
                 depth_in: tuple[float, float] = (0, 12), unit: str | None = None) -> ZoneReading:
    mean = np.array(values, dtype=np.float64)
    return ZoneReading(analyte=analyte, unit=unit or ANALYTES[analyte].unit, extractant=extractant,
                       depth_in=depth_in, mean=mean, standard_error=np.zeros_like(mean), low=mean,
                       high=mean)


@pytest.fixture(scope="session")
def reading() -> Callable[..., ZoneReading]:
    return make_reading


@pytest.fixture(scope="session")
def ask() -> Ask:
    """Needs of a built-in book; tons default to 6 t of dry matter."""
    books = load_books()

    def run(book: str, readings: Mapping[str, ZoneReading] | None = None, *, tons: float = 6.0,
            moisture: float = 0.0, **more: Any) -> tuple[Need, ...]:
        held = readings or {}
        count = max([r.mean.size for r in held.values()], default=1)
        return needs(book=books[book], nutrient=more.pop("nutrient", books[book].nutrient),
                     zone_ids=more.pop("zone_ids", range(1, count + 1)), readings=held,
                     crop=more.pop("crop", "alfalfa"),
                     expected_yield=Yield(tons_per_ac=tons, moisture_pct=moisture), **more)

    return run


@pytest.fixture(scope="session")
def tri_state(reading: Callable[..., ZoneReading]) -> Callable[..., dict[str, ZoneReading]]:
    """Readings for the Tri-State book: K by Mehlich-3 0-8 in, and CEC."""
    def made(*k: float, cec: float = 12.0) -> dict[str, ZoneReading]:
        return {"potassium": reading("potassium", *k, extractant="Mehlich-3", depth_in=(0, 8)),
                "cec": reading("cec", *[cec] * len(k))}

    return made
