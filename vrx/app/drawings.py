"""Drawings of the report on a page of the app."""

from __future__ import annotations

from markupsafe import Markup


def touchable(drawing: str, *, name: str) -> Markup:
    """A drawing with an id `name` that can be moved and enlarged (`static/map.js`)."""
    if not drawing.startswith("<svg "):
        raise ValueError("not a whole drawing")
    return Markup(f'<svg id="{name}" data-map="yes" ' + drawing[5:])  # noqa: S704 - built by svg.py
