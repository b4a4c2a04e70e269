"""The HTML of our own templates → elements and drawings."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

_DRAWING = re.compile(r"<svg\b.*?</svg>", re.DOTALL)
_VOID = {"br", "meta", "link", "img", "hr", "input", "wbr", "col"}


@dataclass(slots=True)
class Node:
    """One element: its tag, attributes and children (elements and texts) in order."""

    tag: str
    attributes: dict[str, str]
    children: list[Node | str] = field(default_factory=list)

    @property
    def classes(self) -> set[str]:
        """The names in its class attribute."""
        return set(self.attributes.get("class", "").split())

    def elements(self) -> Iterator[Node]:
        """Its child elements."""
        return (child for child in self.children if isinstance(child, Node))

    def all(self) -> Iterator[Node]:
        """Itself and all elements below, in document order."""
        yield self
        for child in self.elements():
            yield from child.all()


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Node("root", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {name: value or "" for name, value in attrs})
        self.open[-1].children.append(node)
        if tag not in _VOID:
            self.open.append(node)

    def handle_endtag(self, tag: str) -> None:
        for depth in range(len(self.open) - 1, 0, -1):
            if self.open[depth].tag == tag:
                del self.open[depth:]
                return

    def handle_data(self, data: str) -> None:
        self.open[-1].children.append(data)


def read(text: str) -> tuple[Node, list[str]]:
    """The elements of an HTML text and its drawings; a drawing stands as `<img data-drawing=k>`.

    Only pages of our own templates are read: a text in them has no "<" of its own.
    """
    drawings: list[str] = []

    def kept(found: re.Match[str]) -> str:
        drawings.append(found[0])
        return f'<img data-drawing="{len(drawings) - 1}">'

    reader = _Reader()
    reader.feed(_DRAWING.sub(kept, text))
    reader.close()
    return reader.root, drawings


def texts(node: Node) -> Iterator[str]:
    """All texts inside an element, in document order."""
    for child in node.children:
        if isinstance(child, str):
            yield child
        else:
            yield from texts(child)


def by_id(root: Node, name: str) -> Node:
    """The element with this id; raises `KeyError` where there is none."""
    for node in root.all():
        if node.attributes.get("id") == name:
            return node
    raise KeyError(name)
