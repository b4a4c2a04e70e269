"""A step of the job: what it shows, its parts, its actions; pages and patches made from it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from markupsafe import Markup

from vrx.app.form import Form
from vrx.app.session import Session
from vrx.report.page import whole_grades
from vrx.report.svg import printable

if TYPE_CHECKING:
    from jinja2 import Environment

_TEMPLATES = Path(__file__).with_name("templates")
COMMON = {
    "bar": "bar_part.html.j2", "steps": "steps_part.html.j2", "trouble": "trouble_part.html.j2",
    "work": "work_part.html.j2", "past": "past_part.html.j2",
}
"""Parts that every page has: element id -> template."""


class Done(NamedTuple):
    """What an action did: `said` for the live region, `go` where to go next."""

    said: str
    go: str | None = None


View = Callable[[Session], dict[str, object]]
Action = Callable[[Session, Form], Done]


def looked_at(session: Session) -> str:
    """The mark of a step that only shows and changes: done once it was looked at."""
    bench = session.bench
    if bench.plan is None:
        return "to do" if bench.open_keys or not bench.has_plan else "stopped"
    return "done" if session.kept.get("looked at") else "to do"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. `stage` must be ready before `view`; `parts` are element id -> template.

    A view may hold `many`: container id -> {element id: finished markup}, for parts whose number
    changes (shapes of zones); the template prints `many("container id")` inside that container.
    `mark` tells "done", "to do" or "stopped" for the ordered list of steps. With `even_blocked`
    the view is asked too where the stage cannot be made.
    """

    id: str
    path: str
    title: str
    template: str
    stage: str
    view: View
    parts: Mapping[str, str] = field(default_factory=dict)
    actions: Mapping[str, Action] = field(default_factory=dict)
    mark: Callable[[Session], str] = looked_at
    even_blocked: bool = False


def _printable(value: object) -> object:
    return value if isinstance(value, Markup) or not isinstance(value, str) else printable(value)


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Escapes every text, knows no undefined name, prints nothing that a document may not."""
    import jinja2

    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES), autoescape=True, trim_blocks=True,
        lstrip_blocks=True, undefined=jinja2.StrictUndefined, finalize=_printable,
    )
    made.filters["id"] = element_id
    made.filters["grades"] = whole_grades
    return made


def element_id(text: str) -> str:
    """A text as an element's id: what is no plain letter or digit becomes its code."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else f"_{ord(c):x}"
                   for c in text)


def summed(html: str) -> str:
    """The short hash by which page and server compare a part."""
    return hashlib.sha256(html.encode("utf-8", "replace")).hexdigest()[:12]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendered:
    """All parts of a step by element id, and where parts that come and go belong."""

    parts: Mapping[str, Markup]
    inside: Mapping[str, str]

    @property
    def sums(self) -> dict[str, str]:
        """Element id -> short hash."""
        return {name: summed(html) for name, html in self.parts.items()}


def render_parts(step: Step, context: Mapping[str, Any], *, ready: bool) -> Rendered:
    """Every part of a step as it is now; while its stage is not ready only the common ones."""
    parts: dict[str, Markup] = {}
    inside: dict[str, str] = {}
    known = environment()
    for name, template in COMMON.items():
        parts[name] = Markup(known.get_template(template).render(context))  # noqa: S704
    if ready:
        for container, each in context.get("many", {}).items():
            for name, html in each.items():
                parts[name] = Markup(html)  # noqa: S704 - svg.py or a template made it
                inside[name] = container
        shown = {**context, "many": _printer(parts, inside)}
        for name, template in step.parts.items():
            parts[name] = Markup(known.get_template(template).render(shown))  # noqa: S704
    return Rendered(parts=parts, inside=inside)


def _printer(parts: Mapping[str, Markup], inside: Mapping[str, str]) -> Callable[[str], Markup]:
    def many(container: str) -> Markup:
        return Markup("").join(parts[name] for name, own in inside.items() if own == container)

    return many


def render_page(
    step: Step, context: Mapping[str, Any], *, ready: bool, blocked: bool = False
) -> str:
    """The whole page of a step."""
    rendered = render_parts(step, context, ready=ready)

    def part(name: str) -> Markup:
        return rendered.parts[name]

    name = step.template if ready else "stopped.html.j2" if blocked else "waiting.html.j2"
    return environment().get_template(name).render({
        **context, "part": part, "many": _printer(rendered.parts, rendered.inside),
        "sums": rendered.sums, "ready": ready,
    })


def what_differs(rendered: Rendered, known: Mapping[str, str]) -> tuple[dict[str, Any], list[str]]:
    """Parts whose hash differs from the page's, and parts of the page that are no more."""
    parts = {}
    for name, total in rendered.sums.items():
        if known.get(name) != total:
            parts[name] = {"html": str(rendered.parts[name]), "sum": total}
            if name in rendered.inside:
                parts[name]["into"] = rendered.inside[name]
    gone = [name for name in known if name not in rendered.parts]
    return parts, gone
