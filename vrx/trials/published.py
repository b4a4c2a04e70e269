"""Published yield functions, read from `published.toml`."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

from vrx.errors import RuleError
from vrx.model import Response

_FILE = Path(__file__).with_name("published.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedResponse:
    """y = a + b K + p P + c √K + q √P + d √(K P), tons/ac, of one printed trial series.

    K is the rate of `nutrient`, P that of the nutrient beside it, lb/ac; both between the rates
    that were tried.
    """

    id: str
    title: str
    publication: str
    evidence: str
    evidence_detail: str
    form_evidence: str
    nutrient: str
    least: float
    most: float
    beside: str
    beside_least: float
    beside_most: float
    terms: Mapping[str, float]

    def at(self, beside_lb_per_ac: float, *, where: str = "") -> Response:
        """The square-root function of the nutrient alone, the one beside it held at a rate.

        `RuleError` where that rate was not tried.
        """
        if not self.beside_least <= beside_lb_per_ac <= self.beside_most:
            raise RuleError(
                f"{self.beside} = {beside_lb_per_ac:g}; {self.id} was tried from "
                f"{self.beside_least:g} to {self.beside_most:g} lb/ac", code="response-beside",
                where=where, hint="give a rate within the trial")
        root = math.sqrt(beside_lb_per_ac)
        t = self.terms
        return Response(
            nutrient=self.nutrient, form="square-root",
            terms=MappingProxyType({
                "a": t["a"] + t["p"] * beside_lb_per_ac + t["q"] * root,
                "b": t["b"],
                "c": t["c"] + t["d"] * root,
            }),
            least=self.least, most=self.most,
            source=f"{self.publication}; {self.beside} {beside_lb_per_ac:g}",
            evidence=f"{self.evidence}: {self.evidence_detail}; {self.form_evidence}",
        )


@lru_cache(maxsize=1)
def published_responses() -> Mapping[str, PublishedResponse]:
    """All published functions by name."""
    held = tomllib.loads(_FILE.read_text(encoding="utf-8"))
    found = {}
    for name, one in held.items():
        if name == "schema":
            continue
        found[name] = PublishedResponse(
            id=name, **{key: one[key] for key in (
                "title", "publication", "evidence", "evidence_detail", "form_evidence",
                "nutrient", "least", "most", "beside", "beside_least", "beside_most")},
            terms=MappingProxyType({key: one[key] for key in "abcpqd"}),
        )
    return MappingProxyType(found)


def published_response(name: str, *, where: str = "") -> PublishedResponse:
    """One by name; `RuleError` with the nearest name."""
    held = published_responses()
    if name not in held:
        near = get_close_matches(name, held, n=1)
        meant = f"did you mean {near[0]!r}? " if near else ""
        raise RuleError(f"no published function {name!r}", code="response-unknown", where=where,
                        hint=f"{meant}the names are {', '.join(held)}")
    return held[name]
