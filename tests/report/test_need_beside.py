"""Words, tables and maps beside the needs: they restate the job's values and escape its texts."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from vrx.model.need_beside import (
    Comparison,
    GuideRate,
    MaterialOf,
    NeedBeside,
    NeedBounds,
    NeedCells,
    Threshold,
)
from vrx.report import need_beside, reasons
from vrx.report.colours import luminance

BAD = "<script>alert('x')</script> & \"q\""


def bounds_of(job, **changes):
    count = len(job.zones.zones)
    mean = job.readings["potassium"].mean
    need = np.array([one.lb_per_ac for one in job.needs["K2O"]])
    made = NeedBounds(
        nutrient="K2O", analyte="potassium", unit="ppm", level=0.9, times=1.6449,
        low=need - 40.0, high=need + 40.0, soil_low=mean - 10, soil_high=mean + 10,
        thresholds=(Threshold(words="critical level", level=np.full(count, 120.0),
                              below=np.linspace(0.0, 1.0, count)),))
    return replace(made, **changes)


def cells_of(job, **changes):
    surface = job.surfaces["potassium"]
    need = np.array([one.lb_per_ac for one in job.needs["K2O"]])
    made = NeedCells(
        nutrient="K2O", grid=surface.grid, values=np.where(surface.values > 90, 200.0, np.nan)
        + np.linspace(0, 90, surface.grid.columns), cell_mean=need + 12.0, zone_rule=need,
        differ_share=0.1, used="zone mean")
    return replace(made, **changes)


def guide(book, need, **changes):
    made = GuideRate(
        book=book, name=f"The {book}", of_plan=book == "own", ways={"reads": "soil", "yield": "t"},
        why=() if book == "own" else ("yield: t; own: u",), need=tuple(need), total_lb=1234.0,
        parts=(("hay removes", 100.0), ("water brings", -20.0)),
        order=(MaterialOf(material="potash 0-0-60", unit="lb", quantity=500.0, lb=500.0,
                          usd=120.0),), usd=120.0, evidence=("read",))
    return replace(made, **changes)


def beside(job, **changes):
    held = {"bounds": {"K2O": bounds_of(job)}, "cells": {"K2O": cells_of(job)}} | changes
    return replace(job, need_beside=NeedBeside(**held))


def test_bounds_stand_beside_each_need(job):
    made = beside(job)
    first = reasons.need_views(made)["K2O"][0]
    need = job.needs["K2O"][0].lb_per_ac
    assert first.bounds == (f"{need - 40:,.0f} to {need + 40:,.0f} if the soil test is off by 1.64 "
                            "of its standard error")
    view, = need_beside.sure_views(made)
    assert view.headings == (
        "Zone", "Soil test, ppm", "Need", "At the bounds", "Chance under 120 ppm (critical level)",
        "Mean of the rule in its cells")
    chances = [row[4] for row in view.rows]
    assert chances[0] == "under 1 %"
    assert chances[-1] == "over 99 %"
    assert "90 %" in view.meaning
    assert float(view.rows[0][5]) == pytest.approx(need + 12.0, abs=0.06)


def test_levels_by_zone_stand_in_their_rows(job):
    count = len(job.zones.zones)
    by_zone = Threshold(words="critical level", level=np.array([100.0] + [120.0] * (count - 1)),
                        below=np.full(count, 0.5))
    view, = need_beside.sure_views(beside(job, bounds={
        "K2O": bounds_of(job, thresholds=(by_zone,))}))
    assert [row[4] for row in view.rows][:2] == ["50 % (100)", "50 % (120)"]


def test_what_is_refused_is_said(job):
    made = beside(job, bounds={"K2O": bounds_of(job, refused="the guide reads no mapped soil test",
                                                 thresholds=())},
                  cells={"K2O": cells_of(job, refused="a cell lies beyond the guide")})
    view, = need_beside.sure_views(made)
    assert view.rows == ()
    assert view.picture == ""
    assert "No bounds: the guide reads no mapped soil test." in view.meaning
    assert "Not run cell by cell: a cell lies beyond the guide." in view.meaning
    assert reasons.need_views(made)["K2O"][0].bounds == ""


def test_equal_cells_need_no_column_and_no_map(job):
    need = np.array([one.lb_per_ac for one in job.needs["K2O"]])
    flat = cells_of(job, cell_mean=need, values=np.full(job.surfaces["potassium"].grid.shape, 90.0))
    view, = need_beside.sure_views(beside(job, cells={"K2O": flat}))
    assert "the rule gives the same need in every zone" in view.meaning
    assert view.headings[-1].startswith("Chance")
    assert view.picture == ""


def test_guides_side_by_side_with_the_map_of_their_spread(job, written):
    count = len(job.zones.zones)
    low, high = [100.0] * count, [110.0 + 30 * k for k in range(count)]
    one = Comparison(
        nutrient="K2O", spread=tuple(h - lo for h, lo in zip(high, low, strict=True)),
        guides=(guide("own", low), guide("other", high, usd=None),
                guide("none", (), refused="the soil test is olsen", todo="choose another")))
    made = beside(job, comparisons=(one,))
    view, = need_beside.compare_views(made)
    assert view.headings == (("own", "the plan’s guide"), ("other", ""))
    assert view.rows[0][2:] == ("100", "110", "10")
    assert view.foot[1][2:4] == ("$120", "no price")
    assert [each.book for each in view.refused] == ["none"]
    root = ET.fromstring(str(view.picture))  # noqa: S314
    texts = " ".join(t.text or "" for t in root.iter("text"))
    assert "100–110" in texts
    fills = [luminance(use.get("fill")) for use in root.iter("use") if use.get("fill")]
    assert len(set(fills)) > 1
    # Darker where guides are further apart.
    assert fills == sorted(fills, reverse=True)
    text = written(made)
    assert "Yield <b>differs</b>" in text
    assert "Reads <b>differs</b>" not in text
    assert "own: hay removes" not in text
    assert "hay removes +100.0; water brings −20.0" in text
    assert "cannot read this field: the soil test is olsen. To do: choose another." in text


def test_a_need_that_no_pass_follows_is_told(job, written):
    count = len(job.zones.zones)
    one = Comparison(nutrient="S", spread=(0.0,) * count, followed=False,
                     guides=(guide("own", [20.0] * count), guide("other", [20.0] * count)))
    assert "No pass of this plan follows the need of S" in written(beside(job, comparisons=(one,)))


def test_nothing_compared_nothing_said(job, written):
    plain = written(job)
    assert 'id="beside"' not in plain
    assert "what other guides say" not in written(beside(job))


def test_texts_of_users_are_escaped(job, written):
    count = len(job.zones.zones)
    one = Comparison(nutrient="K2O", spread=(1.0,) * count, guides=(
        guide("own", [1.0] * count, name=BAD, parts=((BAD, 1.0),), notes=(BAD,),
              ways={"reads": BAD}, order_refused=BAD),
        guide(BAD, (), refused=BAD, todo=BAD)))
    text = written(beside(job, comparisons=(one,)))
    assert "<script>" not in text
    assert len(re.findall("&lt;script&gt;", text)) >= 6


def test_a_base_need_stands_before_the_credits(job):
    need = job.needs["S"][0]
    lines = (*need.lines, replace(need.lines[0], term="irrigation water brings", lb_per_ac=-5.0,
                                  credit=True))
    made = replace(job, needs={**job.needs, "S": (replace(need, lines=lines, surplus_lb_per_ac=3.2),
                                                  *job.needs["S"][1:])})
    view = reasons.need_views(made)["S"][0]
    bases = [line.base for line in view.lines]
    assert [bool(base) for base in bases] == [False] * (len(bases) - 1) + [True]
    assert float(bases[-1]) == pytest.approx(sum(x.lb_per_ac for x in need.lines), abs=0.06)
    assert view.surplus == "3.2"


def test_what_the_plan_states_is_the_readers_own(job, written) -> None:
    """The label of the job record is no word for a grower."""
    count = len(job.zones.zones)
    one = Comparison(nutrient="K2O", spread=(0.0,) * count, guides=(
        guide("own", [100.0] * count, evidence=("from memory", "user")),
        guide("other", [100.0] * count)))
    page = written(beside(job, comparisons=(one,)))
    assert "Evidence: from memory, your own." in page
    assert '<td data-is="Evidence">your own</td>' in page  # a line of the S need
    assert ">user<" not in page
