"""What a season brings and takes, and what that means for soil-test K: a range, or no answer.

The change of a soil test that follows a surplus or a draft lies between what it would be if all of
it stayed in (or came from) the exchangeable K of the sampled layer, and what the build-up figure of
a guide says. A draft may be smaller by what soil minerals give back, down to none at all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vrx.errors import PlanError
from vrx.model import (
    CropTruth,
    Finding,
    FloatArray,
    PassRates,
    SoilBalance,
    ZoneReading,
    note,
)
from vrx.prescription.practice import cite, figures
from vrx.prescription.rates import brought_lb_per_ac
from vrx.units import k2o_from_k

CHANGE_UNSURE = "the test itself is known to ± its standard error, which is not in the range"


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceTerms:
    """The user's own figures of the soil: lb K2O per ppm as (least, most), and their source.

    `minerals` is the share of the hay's K2O that the soil gives back, (least, most).
    """

    k2o_lb_per_ppm: tuple[float, float] | None = None
    minerals: tuple[float, float] | None = None
    seasons: int | None = None
    source: str = ""

    def __post_init__(self) -> None:
        """Raises `PlanError` for ranges that are none."""
        for name, pair, least, most in (
            ("k2o_lb_per_ppm", self.k2o_lb_per_ppm, 0.0, 1000.0),
            ("soil_supplies_share", self.minerals, -1e-12, 1.0),
        ):
            if pair is not None and not (least < pair[0] <= pair[1] <= most):
                raise PlanError(f"{name} = [{pair[0]:g}, {pair[1]:g}]", code="balance-range",
                                where="[balance]", hint="give [least, most], least first")
        if self.seasons is not None and self.seasons < 1:
            raise PlanError(f"seasons = {self.seasons}", code="balance-range", where="[balance]",
                            hint="give 1 or more")


def soil_balance(
    nutrient: str, *, passes: Sequence[PassRates], otherwise: FloatArray, otherwise_words: str,
    removed: FloatArray, removed_words: str, reading: ZoneReading | None = None,
    cec: FloatArray | None = None, terms: BalanceTerms | None = None,
) -> SoilBalance:
    """The balance of one nutrient, arrays in the order of the zones, lb/ac of K2O or S.

    `reading` is the zones' soil-test K and `cec` their CEC, meq/100 g. K2O only gets a statement of
    the coming years, and only where `_buffer` finds both ends of the range.
    """
    own = terms or BalanceTerms()
    out = np.asarray(removed, dtype=np.float64)
    brought = brought_lb_per_ac(passes, nutrient, len(out))
    other = np.asarray(otherwise, dtype=np.float64)
    seasons = own.seasons or int(figures()["seasons"]["count"])
    if nutrient == "K2O":
        buffer, basis, why = _buffer(reading, cec, own)
    else:
        said = figures()["s_carried_over"]
        buffer, basis, why = None, (), f"{said['words']} ({said['evidence']})"
    low = high = after_low = after_high = None
    if buffer is not None and reading is not None:
        share = own.minerals or (figures()["minerals"]["least_share"],
                                 figures()["minerals"]["most_share"])
        low, high = ppm_change(brought + other - out, removed=out, buffer=buffer, minerals=share)
        after_low = np.maximum(reading.mean + seasons * low, 0.0)
        after_high = np.maximum(reading.mean + seasons * high, 0.0)
        whence = own.source if own.minerals else cite("minerals")
        back = f"soil minerals give back {share[0]:.0%} to {share[1]:.0%} of what the hay removes"
        basis = (*basis, f"{back}: {whence}", CHANGE_UNSURE)
    return SoilBalance(
        nutrient=nutrient, brought=brought, otherwise=other, otherwise_words=otherwise_words,
        removed=out, removed_words=removed_words, seasons=seasons,
        soil_now=None if reading is None else reading.mean,
        buffer_low=None if buffer is None else buffer[0],
        buffer_high=None if buffer is None else buffer[1],
        ppm_low=low, ppm_high=high, after_low=after_low, after_high=after_high, basis=basis,
        cannot_tell=why,
    )


def ppm_change(
    left: FloatArray, *, removed: FloatArray, buffer: tuple[FloatArray, FloatArray],
    minerals: tuple[float, float],
) -> tuple[FloatArray, FloatArray]:
    """(lowest, highest) change of soil-test K, ppm in a season, for lb K2O/ac left (or drawn).

    `buffer` holds the least and most lb K2O/ac per ppm. Minerals answer to a draft only: they never
    raise a soil test.
    """
    least, most = buffer
    rise_low, rise_high = left / most, left / least
    drawn = np.minimum(left, 0.0)
    fall_low = np.minimum(drawn + minerals[0] * removed, 0.0) / least
    fall_high = np.minimum(drawn + minerals[1] * removed, 0.0) / most
    gains = left >= 0
    return (np.asarray(np.where(gains, rise_low, fall_low), dtype=np.float64),
            np.asarray(np.where(gains, rise_high, fall_high), dtype=np.float64))


def layer_k2o_lb_per_ppm(depth_in: float) -> float:
    """lb K2O/ac that 1 ppm of exchangeable K is in a layer of `depth_in` inches."""
    layer = figures()["layer"]
    return float(k2o_from_k(layer["lb_soil_per_ac"] * 1e-6 * depth_in / layer["depth_in"]))


def _buffer(
    reading: ZoneReading | None, cec: FloatArray | None, own: BalanceTerms
) -> tuple[tuple[FloatArray, FloatArray] | None, tuple[str, ...], str]:
    """((least, most) lb K2O per ppm by zone, their basis, "") or (None, (), why not)."""
    if reading is None:
        return None, (), "cannot tell: no soil-test K by zone"
    if own.k2o_lb_per_ppm is not None:
        low, high = own.k2o_lb_per_ppm
        shape = np.ones_like(reading.mean)
        return (low * shape, high * shape), (
            f"{low:g} to {high:g} lb K2O/ac for 1 ppm: {own.source} (user)",), ""
    top, bottom = reading.depth_in
    depth = bottom - top
    build = figures()["build_up"]
    if top > 0 or not 0 < depth <= 2 * build["depth_in"]:
        return None, (), (f"cannot tell: no source for a layer from {top:g} to {bottom:g} in; "
                          "state k2o_lb_per_ppm in [balance] with its source")
    if reading.extractant.strip().casefold() not in build["extractants"]:
        return None, (), (
            f"cannot tell: no source says how many lb K2O move a test by {reading.extractant!r} by "
            "1 ppm; state k2o_lb_per_ppm in [balance] with its source")
    if cec is None or not np.isfinite(cec).all() or (cec <= 0).any() or (
            cec > build["most_cec"]).any():
        return None, (), ("cannot tell: the build-up figure needs the CEC of every zone, "
                          f"above 0 and up to {build['most_cec']:g} meq/100 g; "
                          "or state k2o_lb_per_ppm in [balance] with its source")
    least = np.full_like(reading.mean, layer_k2o_lb_per_ppm(depth))
    most = build["years"] * (build["constant"] + build["per_cec"] * np.asarray(cec)) * (
        depth / build["depth_in"])
    per = "lb K2O/ac for 1 ppm"
    return (least, np.maximum(most, least)), (
        f"least {float(least[0]):.1f} {per}, no buffering: {cite('layer')}",
        f"most {float(most.min()):.1f} to {float(most.max()):.1f} {per}, by the zone's CEC: "
        + cite("build_up"),
    ), ""


def balance_findings(
    balances: Sequence[SoilBalance], *, zone_names: Sequence[str], area: FloatArray
) -> list[Finding]:
    """What is drawn from the soil over the field, and that a range, or nothing, can be told."""
    found = []
    for one in balances:
        left = one.left
        drawn = float(-np.minimum(left, 0.0) @ area)
        gained = float(np.maximum(left, 0.0) @ area)
        if one.nutrient == "K2O" and math.isfinite(drawn):
            names = [name for name, value in zip(zone_names, left, strict=True) if value < -0.5]
            where = f" (zones {', '.join(names[:8])}{' ...' if len(names) > 8 else ''})" if (
                names) else ""
            found.append(note(
                "balance-k2o", "season",
                f"{drawn:,.0f} lb K2O are drawn from the soil{where}, {gained:,.0f} lb are left in "
                f"it; removal by {one.removed_words}", value=f"{gained - drawn:.6g} lb K2O"))
            if one.cannot_tell:
                found.append(note("balance-cannot-tell", "season, soil-test K", one.cannot_tell))
    return found


def pass_words(
    passes: Sequence[PassRates], *, area: FloatArray, truth: CropTruth, ton_words: str,
) -> tuple[str, ...]:
    """What an acre gets in each pass that brings K2O or S, and last what crop and hay take.

    `ton_words` says the yield and its moisture; uptake and removal keep their own sources.
    """
    out = []
    for one in passes:
        if not one.rates.any():
            continue
        # Whatever the machine's BLAS leaves in the last digit must not turn 15.25 into 15.3.
        rate = round(float(one.rates @ area) / float(area.sum()), 9)
        parts = [f"{_whole(rate * lb)} lb {name}/ac" for name in ("K2O", "S")
                 if (lb := one.material.nutrient_lb_per_unit(name)) > 0]
        if parts:
            mean = "" if float(np.ptp(one.rates)) == 0 else " on average"
            out.append(f"Pass {one.number}: {rate:.4g} {one.material.unit}{mean} of "
                       f"{one.material.id} brings {' and '.join(parts)}.")
    removes = " and ".join(
        f"{_whole(value)} lb {name}/ac" for name, value in
        (("K2O", truth.removes_k2o_lb_per_ac), ("S", truth.removes_s_lb_per_ac))
        if value is not None)
    said = (f"At {ton_words} the crop takes up about {_whole(truth.takes_up_k2o_lb_per_ac)} lb "
            f"K2O/ac and {_whole(truth.takes_up_s_lb_per_ac)} lb S/ac ({truth.takes_up_source})")
    if removes:
        said += f"; the hay removes {removes} ({truth.removes_source})"
    return (*out, f"{said}.") if out else ()


def _whole(value: float) -> str:
    return f"{value:,.0f}" if value >= 9.95 else f"{value:.1f}"
