"""What a plan says beside the soil test: water and tissue."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vrx import units
from vrx.errors import RuleError


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTest:
    """Irrigation water: net inches a season that stay in the root zone, its sulfate and its K.

    Give exactly one of `sulfate_so4_ppm` (mg/L reported as SO4), `sulfate_s_ppm` (as S, also
    written SO4-S) or `sulfate_meq_per_l`; `potassium_ppm` (mg/L of the element K) where it was
    tested. RuleError otherwise, or for a negative figure.
    """

    net_in: float
    sulfate_so4_ppm: float | None = None
    sulfate_s_ppm: float | None = None
    sulfate_meq_per_l: float | None = None
    potassium_ppm: float | None = None

    def __post_init__(self) -> None:
        given = self._given()
        if len(given) != 1:
            raise RuleError(
                f"the water's sulfate is given {len(given)} times"
                + (f" ({', '.join(given)})" if given else ""),
                code="rules-water-sulfate", where="[water]",
                hint="give one of sulfate_so4_ppm (as SO4), sulfate_s_ppm (as S), "
                     "sulfate_meq_per_l; the laboratory's sheet says which it is",
            )
        also = {} if self.potassium_ppm is None else {"potassium_ppm": self.potassium_ppm}
        for name, value in {"net_in": self.net_in, **given, **also}.items():
            _positive(name, value, "[water]")

    def _given(self) -> dict[str, float]:
        held = {"sulfate_so4_ppm": self.sulfate_so4_ppm, "sulfate_s_ppm": self.sulfate_s_ppm,
                "sulfate_meq_per_l": self.sulfate_meq_per_l}
        return {name: value for name, value in held.items() if value is not None}

    @property
    def so4s_ppm(self) -> float:
        """Sulfate as elemental S, mg/L."""
        (name, value), = self._given().items()
        if name == "sulfate_so4_ppm":
            return units.s_from_so4(value)
        return units.so4s_ppm_from_meq_per_l(value) if name == "sulfate_meq_per_l" else value

    def words(self) -> str:
        """The sulfate as given, for a line of arithmetic."""
        (name, value), = self._given().items()
        if name == "sulfate_so4_ppm":
            return f"{value:g} ppm SO4 = {self.so4s_ppm:.2f} ppm SO4-S"
        if name == "sulfate_meq_per_l":
            return f"{value:g} meq/L sulfate = {self.so4s_ppm:.2f} ppm SO4-S"
        return f"{value:g} ppm SO4-S"


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueTest:
    """A plant tissue test: part and stage in words, contents in per cent (or ppm) of dry matter.

    A content is one number for the field, or a mapping from zone id to number. `part` may carry
    the stage behind a comma ("top 6 in, bud to first flower"); `stage` wins where it is given.
    """

    part: str
    stage: str = ""
    sulfur_pct: float | Mapping[int, float] | None = None
    potassium_pct: float | Mapping[int, float] | None = None
    sulfate_s_ppm: float | Mapping[int, float] | None = None

    def __post_init__(self) -> None:
        for name in ("sulfur_pct", "potassium_pct", "sulfate_s_ppm"):
            held = getattr(self, name)
            values = held.values() if isinstance(held, Mapping) else [held]
            for value in values:
                if value is not None:
                    _positive(name, value, "[tissue]")

    def content(self, nutrient: str, zone_ids: Sequence[int]) -> list[float] | None:
        """Per cent of "sulfur" or "potassium", or ppm of "sulfate-sulfur", for each zone.

        None if not tested at all.
        """
        held = {"sulfur": self.sulfur_pct, "potassium": self.potassium_pct,
                "sulfate-sulfur": self.sulfate_s_ppm}[nutrient]
        if held is None:
            return None
        if not isinstance(held, Mapping):
            return [float(held)] * len(zone_ids)
        missing = [str(z) for z in zone_ids if z not in held]
        if missing:
            raise RuleError(
                f"no tissue test for zone {', '.join(missing)}", code="rules-tissue-missing",
                where=f"[tissue] {nutrient}_pct",
                hint="give every zone a value, or one value for the field",
            )
        return [float(held[z]) for z in zone_ids]


def _positive(name: str, value: float, where: str) -> None:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not math.isfinite(value) or value < 0:
        raise RuleError(
            f"{name} = {value!r} is not a number of zero or more", code="rules-input-number",
            where=where, hint=f"correct {name}",
        )
