"""The closed set of kinds: one vectorised function each, arrays in, arrays out.

All arguments may be numbers or arrays of one common shape (zones, or a whole surface); numbers of
guides come from the book, never from here. Amounts are lb/ac of oxide K2O or of elemental S; soil
tests ppm; CEC meq/100 g; tons are short tons per acre in the guide's own ton.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.model import BoolArray, FloatArray, IntArray
from vrx.units import LB_PER_AC_PER_PPM_IN

Numbers = FloatArray | float


def class_index(soil: Numbers, limits: Sequence[Numbers], inclusive: Sequence[bool]) -> IntArray:
    """Class number (0 = lowest) of a soil test.

    A value belongs to the first class whose upper limit it does not pass: value < limit, or
    value <= limit where `inclusive`. A limit is a number or an array in the soil's shape.
    Reference: how soil-test classes are printed ("40-80").
    """
    value = np.asarray(soil, dtype=np.float64)
    passed = [value > a if closed else value >= a
              for a, closed in zip(limits, inclusive, strict=True)]
    return np.asarray(np.sum(passed, axis=0, dtype=np.int64), dtype=np.int64)


def class_table(index: IntArray, tons: Numbers, rates: FloatArray,
                columns: FloatArray) -> FloatArray:
    """Rate of a class: `rates[class]`, or a straight line between the two nearest yield columns.

    `rates` is (classes, columns). With no yield columns pass one column of rates and `columns` of
    length 1. Reference: extension tables, "interpolate between yield goals".
    """
    held = rates[np.asarray(index)]
    if columns.size == 1:
        return np.asarray(held[..., 0], dtype=np.float64)
    return _between(np.asarray(tons, dtype=np.float64), columns, held)


def rate_table(soil: Numbers, tons: Numbers, rows: FloatArray, columns: FloatArray,
               rates: FloatArray) -> FloatArray:
    """Rate at a soil test and yield, bilinear between the printed rows and columns.

    At or beyond the first and last row or column the edge value holds (a book's `ranges` say what
    happens outside). Reference: SDSU tables are printed at class means and may be interpolated.
    """
    value, yields = np.broadcast_arrays(np.asarray(soil, dtype=np.float64),
                                        np.asarray(tons, dtype=np.float64))
    if rows.size == 1:
        raise ValueError("a rate table needs two rows or more")
    at = np.clip(np.searchsorted(rows, value, side="right") - 1, 0, rows.size - 2)
    part = np.clip((value - rows[at]) / (rows[at + 1] - rows[at]), 0.0, 1.0)
    held = rates[at] * (1.0 - part)[..., None] + rates[at + 1] * part[..., None]
    if columns.size == 1:
        return np.asarray(held[..., 0], dtype=np.float64)
    return _between(yields, columns, held)


def _between(tons: FloatArray, columns: FloatArray, held: FloatArray) -> FloatArray:
    at = np.clip(np.searchsorted(columns, tons, side="right") - 1, 0, columns.size - 2)
    part = np.clip((tons - columns[at]) / (columns[at + 1] - columns[at]), 0.0, 1.0)
    at = np.broadcast_to(at, held.shape[:-1])
    low = np.take_along_axis(held, at[..., None], axis=-1)[..., 0]
    high = np.take_along_axis(held, at[..., None] + 1, axis=-1)[..., 0]
    return np.asarray(low + (high - low) * part, dtype=np.float64)


def build_up_maintenance(
    soil: Numbers, cec: Numbers, removed: Numbers, *, critical: Numbers, limit: Numbers,
    base: float, per_cec: float, draw_down: float,
) -> tuple[FloatArray, FloatArray]:
    """(maintenance, build-up), lb/ac a year.

    maintenance = removed x (1 up to the limit; falling to 0 over `draw_down` ppm above it; with
    draw_down 0, nothing above the limit); build-up = (critical - soil) x (base + per_cec x CEC)
    below the critical level, else 0. Reference: Tri-State fertilizer recommendations (Ohio,
    Michigan, Indiana): 2020 revision without, 1995 with draw-down.
    """
    value, limit_ = np.asarray(soil, dtype=np.float64), np.asarray(limit, dtype=np.float64)
    short = np.maximum(np.asarray(critical, dtype=np.float64) - value, 0.0)
    build_up = short * (base + per_cec * np.asarray(cec, dtype=np.float64))
    over = value - limit_
    left = np.clip(1.0 - over / draw_down, 0.0, 1.0) if draw_down > 0 else (over <= 0) * 1.0
    return np.asarray(removed, dtype=np.float64) * left, build_up


def linear_in_yield(soil: Numbers, tons: Numbers, intercept: float, slope: float) -> FloatArray:
    """max(0, intercept - slope x soil test) x yield goal.

    Reference: the South Dakota / Minnesota / older North Dakota form of recommendation.
    """
    per_ton = intercept - slope * np.asarray(soil, dtype=np.float64)
    return np.asarray(np.maximum(per_ton, 0.0) * tons, dtype=np.float64)


def removal_balance(lb_per_ton: float, tons: Numbers, share: Numbers) -> FloatArray:
    """lb per ton x tons x share. Reference: crop nutrient balance, any guide's removal table."""
    return np.asarray(lb_per_ton * np.asarray(tons, dtype=np.float64) * share, dtype=np.float64)


def below_critical(value: Numbers, critical: Numbers, rate: Numbers) -> FloatArray:
    """`rate` where value < critical, else 0: tissue and soil criteria.

    Reference: Univ. Wisconsin tissue rule for sulfur; critical soil values after Westermann 1974.
    """
    return np.where(np.asarray(value, dtype=np.float64) < critical, rate, 0.0).astype(np.float64)


def flat_rate(rate: Numbers, like: Numbers) -> FloatArray:
    """One rate everywhere, in the shape of `like`. Reference: common practice."""
    return np.full(np.shape(like), 0.0) + np.asarray(rate, dtype=np.float64)


def organic_matter_credit(om_pct: Numbers, lb_per_ac_per_pct: float) -> FloatArray:
    """-(lb per 1 % organic matter) x %. Reference: Wisconsin sulfur availability index."""
    return -lb_per_ac_per_pct * np.asarray(om_pct, dtype=np.float64)


def water_credit(so4s_ppm: Numbers, net_in: Numbers, share: Numbers) -> FloatArray:
    """-ppm SO4-S x net inches x 0.22661 x share (lb in an acre-inch of water per ppm).

    Reference: mass of an acre-inch of water; Oregon State prints 2,716,435 lb per acre-foot.
    """
    amount = np.asarray(so4s_ppm, dtype=np.float64) * LB_PER_AC_PER_PPM_IN * net_in * share
    return np.asarray(-amount, dtype=np.float64)


def soil_layer_credit(ppm: Numbers, depth_in: float, bulk_density: float,
                      share: Numbers) -> FloatArray:
    """-ppm x 0.22661 x inches x bulk density x share. Reference: mass of a soil layer."""
    amount = np.asarray(ppm, dtype=np.float64) * LB_PER_AC_PER_PPM_IN * depth_in * bulk_density
    return np.asarray(-amount * share, dtype=np.float64)


def stated_credit(amount: Numbers, like: Numbers) -> FloatArray:
    """-(an amount that the user states), in the shape of `like`."""
    return -flat_rate(amount, like)


def water_cap(so_far: Numbers, uptake: Numbers, water: Numbers) -> FloatArray:
    """-(what of the rate so far the crop cannot take up beside the water's own S).

    = -max(0, so_far - max(0, uptake - water)). Reference: common practice, no sulfur where the
    irrigation water supplies it.
    """
    left = np.maximum(np.asarray(uptake, dtype=np.float64) - water, 0.0)
    return -np.maximum(np.asarray(so_far, dtype=np.float64) - left, 0.0)


def limit(so_far: Numbers, most: float) -> FloatArray:
    """-(what lies above the guide's most). Reference: the yearly caps that guides print."""
    return -np.maximum(np.asarray(so_far, dtype=np.float64) - most, 0.0)


def class_share(index: IntArray, removed: Numbers, shares: FloatArray,
                extras: FloatArray) -> FloatArray:
    """share[class] x what the hay removes + extra[class].

    Reference: removal-based guides by soil-test class (Wisconsin: removal at optimum, part of it
    above; United Kingdom: offtake and an adjustment by index).
    """
    at = np.asarray(index)
    return np.asarray(shares[at] * np.asarray(removed, dtype=np.float64) + extras[at],
                      dtype=np.float64)


def last_year_share(soil: Numbers, above: float, share: float) -> FloatArray:
    """`share` where the soil test lies above a level, else 1: the last year of a stand.

    Reference: USDA-ARS and Univ. Minnesota on-farm trials, 2008-09.
    """
    return np.where(np.asarray(soil, dtype=np.float64) > above, share, 1.0).astype(np.float64)


def stand_year_share(year: Numbers, from_years: FloatArray, shares: FloatArray) -> FloatArray:
    """The share of the last step whose year is reached, 1 before the first.

    Reference: response by age of stand, as forage guides print it.
    """
    step = np.searchsorted(from_years, np.asarray(year, dtype=np.float64), side="right")
    return np.concatenate([[1.0], shares])[step].astype(np.float64)


def stand_age(so_far: Numbers, share: Numbers) -> FloatArray:
    """-(what of the rate so far is left out): -max(0, so far) x (1 - share).

    Reference: as `last_year_share` and `stand_year_share`.
    """
    held = np.maximum(np.asarray(so_far, dtype=np.float64), 0.0)
    return np.asarray(-held * (1.0 - np.asarray(share, dtype=np.float64)), dtype=np.float64)


def conditional_rate(met: Sequence[BoolArray], rate: Numbers) -> FloatArray:
    """`rate` where every condition holds, else 0.

    Reference: Nebraska's sulfur advice (sandy, little organic matter and a low test together).
    """
    return np.where(np.all(met, axis=0), rate, 0.0).astype(np.float64)


def availability_index(supplies: Sequence[Numbers], like: Numbers) -> FloatArray:
    """The sum of supplies, in the shape of `like`. Reference: Wisconsin sulfur availability index.
    """
    return np.asarray(sum((flat_rate(one, like) for one in supplies), np.zeros(np.shape(like))),
                      dtype=np.float64)
