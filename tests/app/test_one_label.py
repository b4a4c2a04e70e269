"""A key of the plan goes by one label: in every step, in questions, and in words of undo."""

from __future__ import annotations

import html
import re
from pathlib import Path

from vrx.app.controls import words_of
from vrx.app.steps import STEPS
from vrx.plan import answer

KEY = re.compile(r"[a-z_]+(\[\d+\])?(\.(\"[^\"]+\"|[\w-]+))+")


def test_the_words_of_undo_are_the_labels() -> None:
    for key, told in answer._PLAIN.items():
        assert words_of(key)["label"].casefold() == told.casefold(), key


def _labels(page: str) -> dict[str, str]:
    """Control's name -> text of its label, units left out."""
    texts = dict(re.findall(r'<label for="([^"]+)">(.*?)</label>', page, re.DOTALL))
    found = {}
    for tag in re.findall(r"<(?:input|select)[^>]*>", page):
        told = dict(re.findall(r'(\w+)="([^"]*)"', tag))
        name = html.unescape(told.get("name", ""))
        if KEY.fullmatch(name) and told.get("id") in texts:
            words = re.sub(r'<span class="unit">.*?</span>', "", texts[told["id"]])
            found[name] = " ".join(html.unescape(re.sub(r"<[^>]+>", "", words)).split())
    return found


def test_controls_of_every_step_have_the_label_of_their_key(small: Path, tools) -> None:
    with tools.open_desk(small) as desk:
        seen = {one.id: _labels(desk.ready(one.path)) for one in STEPS}
    assert {"samples", "maps", "zones", "needs", "season"} <= {key for key, v in seen.items() if v}
    for step, labels in seen.items():
        for key, label in labels.items():
            if not key.startswith("zones.breaks."):
                assert label == words_of(key)["label"], (step, key)
        assert len(labels) != 1


def test_every_step_offers_undo_of_the_plan_and_takes_it(small: Path, tools) -> None:
    with tools.open_desk(small) as desk:
        before = (small / "plan.toml").read_bytes()
        for one in STEPS:
            page = desk.ready(one.path)
            assert f'action="{one.path}/undo-plan"' in page
            assert f'action="{one.path}/redo-plan"' in page
        for one in STEPS:
            desk.ready("/needs")
            changed = desk.post("/needs/keep", {
                "on": desk.session.bench.state, "group": "goal", "yield_goal.tons_per_ac": "7"},
                fetched=True)
            assert changed.status_code == 200
            assert "Undo: yield goal 6.5 → 7" in html.unescape(desk.ready(one.path))
            back = desk.post(f"{one.path}/undo-plan", {"on": desk.session.bench.state},
                             fetched=True)
            assert back.json()["said"] == "Taken back: yield goal 6.5 → 7."
            assert (small / "plan.toml").read_bytes() == before
