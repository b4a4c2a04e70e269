"""Credits beside the lines of a guide: water, manure, carry-over, sulfate at depth and more.

A guide that reads one of them itself keeps its own line: nothing is subtracted twice. By itself
vrx subtracts K of water and manure where the plan gives their tests, since guides for K read
neither; all else the plan asks for.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from vrx import units
from vrx.errors import RuleError
from vrx.model import FloatArray, Severity
from vrx.rules import kinds
from vrx.rules.context import Context
from vrx.rules.term import Term, at


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResidualSulfate:
    """Sulfate-S in a layer under the one that a guide reads.

    `so4s_ppm` is one figure or one a zone, `depth_in` the layer, `share` what of it the crop is
    taken to reach, `words` where it was measured.
    """

    so4s_ppm: FloatArray | float
    depth_in: tuple[float, float]
    share: float
    words: str
    bulk_density_g_per_cm3: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Credits:
    """What a plan says of credits for one nutrient; None: as vrx does by itself.

    `manure_lb_per_ac` is what manure brings of the nutrient in the season, None without an
    analysis; `manure_words` its arithmetic.
    """

    water: bool | None = None
    water_share: float = 1.0
    organic_matter: bool | None = None
    manure: bool | None = None
    manure_lb_per_ac: float | None = None
    manure_words: str = ""
    carry_over_lb_per_ac: float = 0.0
    carry_over_source: str = ""
    residual: ResidualSulfate | None = None


NO_CREDITS = Credits()


@cache
def held() -> Mapping[str, Any]:
    """The list of credits with their figures, locators and evidence."""
    text = resources.files("vrx.rules").joinpath("credits.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def credit_terms(asked: Credits, ctx: Context) -> list[Term]:
    """Terms that the plan, or vrx by itself, subtracts beside those of the guide."""
    sulfur = ctx.book.nutrient == "S"
    terms = [*(_water_s if sulfur else _water_k2o)(asked, ctx)]
    if sulfur:
        terms += _organic_matter(asked, ctx)
    elif asked.organic_matter:
        raise _no_such(ctx, "organic matter", "K")
    terms += _manure(asked, ctx)
    if asked.carry_over_lb_per_ac > 0:
        amount = asked.carry_over_lb_per_ac
        terms.append(_term("carry_over", np.full(ctx.shape, -amount), ctx,
                           lambda _i: f"{amount:g} lb/ac stated in the plan",
                           locator=asked.carry_over_source or "the plan gives no source"))
    if asked.residual is not None:
        if not sulfur:
            raise _no_such(ctx, "residual sulfate", "K")
        terms.append(_residual(asked.residual, ctx))
    return terms


def _no_such(ctx: Context, what: str, nutrient: str) -> RuleError:
    return RuleError(f"{what} is no credit for {nutrient}", code="credit-nutrient",
                     where=ctx.book.where, hint="write it under [credits.sulfur]")


def _term(name: str, amount: FloatArray, ctx: Context, detail: Callable[[int], str],
          *, locator: str = "", evidence: str = "") -> Term:
    one = held()[name]
    return Term(term=one["term"], lb_per_ac=np.broadcast_to(amount, ctx.shape), detail=detail,
                locator=locator or one["locator"], evidence=evidence or one["evidence"],
                credit=True)


def _guide_reads(ctx: Context, *kind: str) -> bool:
    return any(rule.kind in kind for rule in ctx.book.data.rules)


_TESTED = ("tissue-criterion", "soil-criterion", "tissue-table", "conditional-rate")
"""Kinds whose reading was taken where water already comes in."""
_WHOLE = ("flat-rate", "availability-index", *_TESTED)
"""Kinds whose rate comes from trials on soils as they are."""


def _index_counts(ctx: Context, what: str) -> bool:
    """Whether an index of supplies of the guide holds a reading or an option of that name."""
    return any(
        one.reading == what or str(one.option or "").startswith(what)
        for rule in ctx.book.data.rules if rule.kind == "availability-index" for one in rule.terms)


def _own_line(ctx: Context, what: str, option: str, *, asked: bool | None) -> None:
    """Told where the plan speaks of a credit that the guide counts by itself."""
    if asked:
        ctx.tell(Severity.NOTE, "credit-guide-counts", f"the guide counts {what} itself",
                 done="its own line stands; nothing is subtracted twice")
    elif asked is False:
        ctx.tell(Severity.WARN, "credit-guide-counts",
                 f"the plan wants no credit for {what}, but the guide counts it itself",
                 done="the guide's own line stands", todo=option)


def _within(name: str, value: float, unit: str, ctx: Context) -> float:
    low, high = held()["guard"][name]
    if not low <= value <= high:
        raise RuleError(f"{name} = {value:g} {unit} lies outside {low:g} to {high:g}",
                        code="credit-out-of-range", where=ctx.book.where,
                        hint=f"no irrigation reads so ({held()['guard']['evidence']}): check the "
                             "unit of the report")
    return value


def _water_s(asked: Credits, ctx: Context) -> list[Term]:
    if _guide_reads(ctx, "water-credit", "water-cap"):
        _own_line(ctx, "the water's sulfate", "water_share = 0 in [need.sulfur] leaves it out, "
                  "where the guide takes that option", asked=asked.water)
        return []
    water = ctx.water
    if water is None:
        if asked.water:
            raise RuleError("water is to be credited and the plan has no water test",
                            code="credit-water-missing", where=ctx.book.where,
                            hint="add [water] with net_in and the sulfate of the water report, or "
                                 "take water = true out of [credits.sulfur]")
        return []
    ppm = _within("so4s_ppm", water.so4s_ppm, "ppm SO4-S", ctx)
    inches = _within("net_in", water.net_in, "in", ctx)
    full = float(-kinds.water_credit(ppm, inches, 1.0))
    if not asked.water:
        _uncounted(ctx, f"the irrigation water brings {full:.1f} lb S/ac", full,
                   "set water = true in [credits.sulfur] to subtract it", asked=asked.water)
        return []
    late = held()["water_s"]
    ctx.tell(Severity.NOTE, "rules-caution", f"{late['caution']} ({late['caution_evidence']})")
    share = asked.water_share
    text = f"{water.words()} x {inches:g} in net x 0.22661" + (
        "" if share == 1 else f" x share {share:g}")
    return [_term("water_s", np.full(ctx.shape, -full * share), ctx, lambda _i: text)]


def _uncounted(ctx: Context, what: str, amount: float, todo: str, *, asked: bool | None) -> None:
    if amount <= 0:
        return
    if asked is False:
        ctx.tell(Severity.NOTE, "credit-not-counted", what, done="not subtracted, as the plan asks",
                 value=f"{amount:.1f}")
        return
    # A plant or soil test was taken where this already comes in; it may be in the reading.
    tested = _guide_reads(ctx, *_TESTED)
    ctx.tell(Severity.NOTE if tested else Severity.WARN, "credit-not-counted",
             f"{what}, which this guide does not read", done="not subtracted", todo=todo,
             value=f"{amount:.1f}")


def _water_k2o(asked: Credits, ctx: Context) -> list[Term]:
    water = ctx.water
    if water is None or water.potassium_ppm is None:
        if asked.water:
            raise RuleError("water is to be credited and the plan has no potassium of the water",
                            code="credit-water-missing", where=ctx.book.where,
                            hint="add potassium_ppm (as K) to [water], or take water = true out of "
                                 "[credits.potassium]")
        return []
    ppm = _within("k_ppm", water.potassium_ppm, "ppm K", ctx)
    inches = _within("net_in", water.net_in, "in", ctx)
    if ppm > held()["water_k2o"]["unusual_above_ppm"]:
        ctx.tell(Severity.WARN, "credit-water-k-unusual",
                 f"{ppm:g} ppm K is much for irrigation water "
                 f"({held()['water_k2o']['unusual_evidence']})", value=f"{ppm:g}",
                 todo="check that the report gives K in mg/L, and of this water")
    full = units.k2o_from_k(units.water_lb_per_ac(ppm, net_in=inches))
    by_itself = not _guide_reads(ctx, *_TESTED)
    if not (by_itself if asked.water is None else asked.water):
        _uncounted(ctx, f"the irrigation water brings {full:.1f} lb K2O/ac", full,
                   "set water = true in [credits.potassium] to subtract it", asked=asked.water)
        return []
    share = asked.water_share
    text = f"{ppm:g} ppm K x {inches:g} in net x 0.22661 x 1.2046" + (
        "" if share == 1 else f" x share {share:g}")
    return [_term("water_k2o", np.full(ctx.shape, -full * share), ctx, lambda _i: text)]


def _organic_matter(asked: Credits, ctx: Context) -> list[Term]:
    if _guide_reads(ctx, "organic-matter-credit") or _index_counts(ctx, "organic_matter"):
        _own_line(ctx, "organic matter", "om_credit = false in [need.sulfur] leaves it out",
                  asked=asked.organic_matter)
        return []
    if not asked.organic_matter:
        return []
    om = ctx.optional("organic_matter")
    if om is None:
        raise RuleError("organic matter is to be credited and the plan has no test of it",
                        code="rules-reading-missing", where=ctx.book.where,
                        hint="add [soil.organic_matter], or take organic_matter = true out of "
                             "[credits.sulfur]")
    low, high = held()["guard"]["organic_matter_pct"]
    ctx.tell_where((om < low) | (om > high), om, Severity.WARN, "rules-clamped",
                   f"organic matter {{value}} % lies outside {low:g} to {high:g}",
                   done="read as the nearest value of that range")
    kept = np.clip(om, low, high)
    if _guide_reads(ctx, *_WHOLE):
        ctx.tell(Severity.WARN, "credit-in-rate",
                 "a flat rate, or one that a test turns on, comes from trials on soils with "
                 "organic matter of their own",
                 done="organic matter is subtracted all the same, as the plan asks",
                 todo="keep it only where your adviser says that the rate leaves it out")
    per = float(held()["organic_matter"]["lb_per_ac_per_pct"])
    return [_term("organic_matter", kinds.organic_matter_credit(kept, per), ctx,
                  lambda i: f"{per:g} lb S/ac per 1 % x {at(kept, i):.2f} %")]


def _manure(asked: Credits, ctx: Context) -> list[Term]:
    sulfur = ctx.book.nutrient == "S"
    section = "sulfur" if sulfur else "potassium"
    if any(rule.kind == "stated-credit" and rule.option.startswith("manure_")
           for rule in ctx.book.data.rules) or _index_counts(ctx, "manure_"):
        _own_line(ctx, "manure", f"take the manure's {'S' if sulfur else 'K2O'} out of [manure]",
                  asked=asked.manure)
        return []
    amount = asked.manure_lb_per_ac
    if amount is None:
        if asked.manure:
            raise RuleError(
                f"manure is to be credited and the plan has no {'S' if sulfur else 'K2O'} of it",
                code="credit-manure-missing", where=ctx.book.where,
                hint=f"add [manure] with its analysis, or take manure = true out of "
                     f"[credits.{section}]")
        return []
    by_itself = not sulfur and not _guide_reads(ctx, *_TESTED)
    if not (by_itself if asked.manure is None else asked.manure):
        _uncounted(ctx, f"manure brings {amount:.1f} lb {ctx.book.nutrient}/ac", amount,
                   f"set manure = true in [credits.{section}] to subtract it", asked=asked.manure)
        return []
    return [_term("manure", np.full(ctx.shape, -amount), ctx, lambda _i: asked.manure_words)]


def _residual(asked: ResidualSulfate, ctx: Context) -> Term:
    top, bottom = asked.depth_in
    reading = ctx.readings.get("sulfate")
    counts = _guide_reads(ctx, "soil-layer-credit") and float(ctx.options["soil_share"]) > 0
    if reading is not None and (ctx.book.analyte == "sulfate" or counts):
        low, high = reading.depth_in
        if top < high - 1e-9 and low < bottom - 1e-9:
            raise RuleError(
                f"sulfate at {top:g}-{bottom:g} in is to be credited, and the guide already reads "
                f"it at {low:g}-{high:g} in", code="credit-depth-twice", where=ctx.book.where,
                hint="credit only the layer under the one that the guide reads")
    ppm = ctx.by_zone(np.asarray(asked.so4s_ppm, dtype=np.float64))
    if not np.isfinite(ppm).all() or (ppm < 0).any():
        raise RuleError("sulfate at depth is not known in every zone", code="credit-depth-missing",
                        where=ctx.book.where,
                        hint="give so4s_ppm in residual_sulfate, one figure for the field")
    density = asked.bulk_density_g_per_cm3
    if density is None:
        density = float(held()["residual"]["bulk_density_g_per_cm3"])
    amount = kinds.soil_layer_credit(ppm, bottom - top, density, asked.share)

    def detail(i: int) -> str:
        return (f"{at(ppm, i):.1f} ppm SO4-S ({asked.words}) x 0.22661 x {bottom - top:g} in x "
                f"{density:g} g/cm3 x share {asked.share:g}")

    return _term("residual", amount, ctx, detail)
