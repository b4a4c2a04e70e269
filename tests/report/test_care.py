"""What stands around the passes in print: days inclusive, marks, open boxes, the drawing."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import date

from vrx.model import Care, Carrier, Cutting, FirstItem, GoItem, MissedPass, PassWindow
from vrx.report.care import care_view, go_views
from vrx.report.page import page, page_views
from vrx.report.season_chart import season_chart, window_words

from .builders import make_job

WINDOW = PassWindow(pass_id="a", number=1, timing="stubble of cutting 1", opens=date(2027, 6, 1),
                    closes=date(2027, 6, 3), on=date(2027, 6, 9), closed=False, fits=False,
                    words="bales <off>")
CUTTING = Cutting(number=1, cut=date(2027, 5, 28), bales_off=date(2027, 6, 1),
                  water_on=date(2027, 6, 4))
GO = GoItem(pass_id="a", number=1, item="Wind", verdict="go", stated="5 mph", rule="r", source="s")
CARE = Care(
    cuttings=(CUTTING,), killing_frost=date(2027, 10, 10), windows=(WINDOW,),
    conditions=(GO, replace(GO, item="Rain", verdict="no-go", stated="2 in"),
                replace(GO, item="Slope", verdict="not known", stated="not stated")),
    missed=(MissedPass(pass_id="a", number=1, nutrient="K2O", short_lb=1000.0,
                       short_lb_per_ac=(("A", 50.0), ("B", 60.0)), still_lb=400.0,
                       carriers=(Carrier(pass_id="b", number=2, lb=600.0, bound="its steps"),)),),
    first=(FirstItem(item="Stand", verdict="do not spend", stated="30 stems/ft2",
                     rule="40 stems/ft2 or more",
                     source="from memory, check your guide: scale of guides"),),
)


def test_the_page_tells_it_and_stays_safe() -> None:
    text = page(page_views(replace(make_job(), care=CARE), run="r", cautions=[]))
    for part in ("Jun 1, 2027 to Jun 3, 2027", "does not fit", "Go or no-go on the day",
                 "pass 2: 600 lb, up to its steps", "50 to 60 lb/ac in A, B", "Before you spend",
                 "Do not spend: stand, 30 stems/ft2", "Pass 1 is a no-go as stated"):
        assert part in text, part
    assert "bales &lt;off&gt;" in text
    assert "<script" not in text


def test_materials_say_what_a_unit_and_a_ton_bring() -> None:
    views = {one.material: one for one in care_view(replace(make_job(), care=CARE)).materials}
    # 12.2 lb/gal x 25 % and 17 %; 2,000 lb x 25 % and 17 %.
    thio = views["potassium thiosulfate 0-0-25-17S"]
    assert (thio.per, thio.unit) == ("1 gal", "3.050 K2O and 2.074 S")
    assert thio.ton == "500 K2O and 340 S"
    assert views["muriate of potash 0-0-60"].s_available == "brings none"


def test_boxes_are_crossed_for_a_go_only() -> None:
    job = replace(make_job(), care=CARE)
    views = {one.item: one for one in go_views(job)[1]}
    assert (views["Wind"].mark, views["Rain"].mark, views["Slope"].mark) == ("x", "", "")
    assert [one.no_go for one in views.values()] == [False, True, False]
    assert views["Slope"].stated == ""


def test_a_mark_of_memory_is_not_said_twice() -> None:
    (row,) = care_view(replace(make_job(), care=CARE)).first
    assert (row.memory, row.source) == (True, "scale of guides")


def test_nothing_known_is_no_section() -> None:
    text = page(page_views(make_job(), run="r", cautions=[]))
    assert "Before and around" not in text
    assert "Go or no-go" not in text
    assert "Before you spend" not in text


def test_the_drawing_keeps_days_in_order_and_counts_the_last_one_whole() -> None:
    root = ET.fromstring(season_chart(key="k", care=CARE))  # noqa: S314 - our own drawing
    bars = [(float(one.get("x", 0)), float(one.get("width", 0)))
            for one in root.iter() if one.tag.endswith("rect")]
    cutting, window = bars
    day = cutting[1] / 4  # May 28 to June 1
    assert window[1] / day == 3 or abs(window[1] / day - 3) < 0.1  # June 1, 2 and 3
    assert abs(cutting[0] + cutting[1] - window[0]) < 0.2
    description = next(one.text or "" for one in root.iter() if one.tag.endswith("desc"))
    assert "Jun 9 does not fit" in description
    assert re.search("frost", "".join(root.itertext()))


def test_a_drawing_needs_two_days_and_words_cover_every_case() -> None:
    assert season_chart(key="k", care=Care()) == ""
    assert season_chart(key="k", care=Care(killing_frost=date(2027, 10, 1))) == ""
    cases = {
        "no window": replace(WINDOW, closed=True),
        "window not known": replace(WINDOW, opens=None, closes=None),
        "no day planned": replace(WINDOW, on=None, fits=None),
        "Jun 9 fits": replace(WINDOW, fits=True),
    }
    for said, window in cases.items():
        assert window_words(window) == said
        assert season_chart(key="k", care=replace(CARE, windows=(window,)))
    open_end = replace(WINDOW, closes=None, fits=True)
    assert "Jun 9 fits" in season_chart(key="k", care=replace(CARE, windows=(open_end,)))
