"""Ways out where the plan moved on under changes made by hand: none is a dead end."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest


def _ways(text: str) -> list[tuple[str, str, dict[str, str]]]:
    """Words, address and fields of the forms in the trouble region."""
    region = text.split('<section id="trouble"')[1].split("</section>", maxsplit=1)[0]
    return [(html.unescape(re.search(r"<button>(.*?)</button>", one)[1]),
             re.search(r'action="([^"]+)"', one)[1],
             {name: html.unescape(value) for name, value in re.findall(
                 r'name="([^"]+)" value="([^"]*)"', one)})
            for one in region.split("<form ")[1:]]


def _leave_out(desk) -> None:
    with desk.session.held() as bench:
        bench.answer([("soil.leave_out", '["K02"]')], on=bench.state)


@pytest.mark.parametrize("chosen", ["/zones/clear", "/needs/undo-plan"])
def test_a_rate_by_hand_on_zones_that_are_no_more(small: Path, tools, chosen: str) -> None:
    with tools.open_desk(small) as desk:
        desk.ready("/needs")
        with desk.session.held() as bench:
            zone = bench.zones().zones[0].zone_id
            bench.edit("set_rate", on=bench.state, zone_id=zone, pass_id="after-first", rate=200.0,
                       reason="trial strip", words="")
        _leave_out(desk)
        told = desk.ready("/needs")
        assert "was set by hand (trial strip)" in told
        assert "vrx edits FOLDER" not in told
        ways = _ways(told)
        assert {one[1] for one in ways} == {"/zones/clear", "/needs/undo-plan"}
        [(_, at, fields)] = [one for one in ways if one[1] == chosen]
        assert desk.post(at, fields).status_code == 303
        assert "was set by hand (trial strip)" not in desk.ready("/needs")
    text = (small / "plan.toml").read_text(encoding="utf-8")
    assert ("leave_out" in text) == (chosen == "/zones/clear")


@pytest.mark.parametrize("chosen", ["/zones/aside", "/needs/undo-plan"])
def test_zones_by_hand_on_a_plan_that_makes_others(small: Path, tools, chosen: str) -> None:
    with tools.open_desk(small) as desk:
        desk.ready("/zones")
        with desk.session.held() as bench:
            one, two = (zone.zone_id for zone in bench.zones().zones[:2])
            bench.edit("merge", on=bench.state, zone_ids=(one, two), apart=True)
        made = (small / "edits.jsonl").read_bytes()
        _leave_out(desk)
        told = desk.ready("/zones")
        ways = _ways(told)
        assert {one[1] for one in ways} == {"/zones/aside", "/needs/undo-plan"}
        [(_, at, fields)] = [one for one in ways if one[1] == chosen]
        assert desk.post(at, fields).status_code == 303
        assert 'id="zone-map"' in desk.ready("/zones")
    if chosen == "/zones/aside":
        [kept] = small.glob("edits-set-aside*.jsonl")
        assert kept.read_bytes() == made
    else:
        assert (small / "edits.jsonl").read_bytes() == made
