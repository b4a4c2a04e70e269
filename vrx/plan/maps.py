"""`[surface]`: how the soil-test maps are drawn, and which layers may guide them."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.model import Variogram
from vrx.plan.base import Section, SoilKey, Text
from vrx.plan.layers import LayerSection
from vrx.plan.variograms import VariogramSection

Names = tuple[Text, ...]


class SurfaceSection(Section):
    """`[surface]`: cells, method, and `drift`: layers for all maps, or for each analyte its own.

    A layer guides a map as external drift of kriging, where it is shown to help. `variogram` takes
    the place of the fitted one.
    """

    cell_m: Annotated[float, Field(ge=1, le=100, strict=True)] = 5.0
    method: Literal["choose", "kriging", "kriging with trend", "kriging with drift",
                    "inverse distance", "spline", "nearest sample", "field mean"] = "choose"
    drift: Names | dict[SoilKey, Names] = ()
    variogram: dict[SoilKey, VariogramSection] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _drift_for_its_method(self) -> Self:
        if self.method == "kriging with drift" and not self.drift:
            raise ValueError('method = "kriging with drift" needs drift = ["<layer name>"], the '
                             "name of a [[layer]]")
        for names in self.drift_lists():
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"surface.drift names {twice[0]!r} twice")
        return self

    def drift_lists(self) -> list[Names]:
        """Every list of layer names that `drift` holds."""
        return list(self.drift.values()) if isinstance(self.drift, dict) else [self.drift]

    def drift_of(self, analyte: str) -> Names:
        """Names of the layers that may guide the map of an analyte."""
        if isinstance(self.drift, dict):
            return self.drift.get(analyte, ())  # type: ignore[call-overload, no-any-return]
        return self.drift

    def variogram_of(self, analyte: str) -> Variogram | None:
        """The stated variogram of an analyte, None where it is to be fitted."""
        stated = self.variogram.get(analyte)  # type: ignore[call-overload]
        return None if stated is None else stated.variogram()

    def drift_names(self) -> Names:
        """Every layer that may guide a map, once."""
        return tuple(dict.fromkeys(name for names in self.drift_lists() for name in names))

    def require_layers(self, layers: Sequence[LayerSection]) -> None:
        """Raises `ValueError` for a name that no measured layer has."""
        known = {one.name: one for one in layers}
        for name in self.drift_names():
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                raise ValueError(
                    f"surface.drift names {name!r}, but no [[layer]] is called so; "
                    + (f"did you mean {near[0]!r}?" if near else
                       f"known: {', '.join(map(repr, known))}" if known
                       else "add a [[layer]] section"))
            if known[name].classes:
                raise ValueError(
                    f"surface.drift names {name!r}, a layer of classes: codes are no amounts and "
                    "cannot guide a map; name a measured layer")
