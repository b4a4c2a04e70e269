"""The look: one palette with the printed page, and enough contrast in both modes.

Outside facts: WCAG 2.1, success criteria 1.4.3 (4.5 to 1 for text) and 1.4.11 (3 to 1 for edges of
controls), with its definitions of relative luminance and contrast ratio.
"""

from __future__ import annotations

import re

import pytest

SHARED = ("ink", "soft", "rule", "faint", "paper", "desk", "clay", "clay-pale", "deep")


def _palettes(tools) -> tuple[dict[str, str], dict[str, str], dict[str, str]]:
    def read(text: str) -> dict[str, str]:
        return dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", text))

    page = (tools.ROOT / "vrx/report/templates/page.css").read_text(encoding="utf-8")
    app = (tools.ROOT / "vrx/app/static/app.css").read_text(encoding="utf-8")
    light, dark = app.split("@media (prefers-color-scheme: dark)")[:2]
    return read(page), read(light), {**read(light), **read(dark.split("* {")[0].split("}\n}")[0])}


def _luminance(colour: str) -> float:
    parts = [int(colour[k:k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_palette_is_that_of_the_printed_page(tools) -> None:
    page, light, _ = _palettes(tools)
    assert {name: light[name] for name in SHARED} == {name: page[name] for name in SHARED}


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize(("text", "ground", "least"), [
    ("ink", "paper", 7.0), ("ink", "desk", 7.0), ("soft", "paper", 4.5), ("soft", "desk", 4.5),
    ("soft", "faint", 4.5), ("clay", "clay-pale", 4.5), ("clay", "paper", 4.5),
    ("ink", "clay-pale", 7.0), ("deep", "paper", 4.5), ("deep", "desk", 4.5),
    ("on-deep", "deep", 4.5), ("ink", "deep-pale", 7.0), ("edge", "paper", 3.0),
    ("edge", "desk", 3.0), ("deep", "clay-pale", 4.5)])
def test_contrast_in_both_modes(tools, dark: bool, text: str, ground: str, least: float) -> None:
    palette = _palettes(tools)[2 if dark else 1]
    assert _contrast(palette[text], palette[ground]) >= least


def test_scripts_of_ours_are_modules_without_dependency(tools) -> None:
    known = {path.name for path in (tools.ROOT / "vrx/app/static").glob("*.js")}
    for name in known:
        text = (tools.ROOT / "vrx/app/static" / name).read_text(encoding="utf-8")
        for told in re.findall(r"from \"([^\"]+)\"|import\(['\"]([^'\"]+)", text):
            target = (told[0] or told[1]).rsplit("/", maxsplit=1)[-1]
            assert target in known, (name, target)
