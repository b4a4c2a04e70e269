"""A page's HTML → its document tree: headings, paragraphs, lists, tables, drawings as plain values.

Layouts other than HTML are made from this tree, so that all print the very same texts. The tree is
JSON: a block is a dict with its kind in "is", a text a list of runs, a run a dict with its words in
"say", a list of pieces between which a line may break. No text of the tree is markup of any kind.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Sequence
from typing import Any

from vrx.report.html_tree import Node, texts

Block = dict[str, Any]
Run = dict[str, Any]

_INLINE = {"a", "b", "strong", "i", "em", "small", "span", "code", "br", "abbr", "time", "label"}
_SILENT = {"head", "nav", "style", "script", "title", "button", "input"}
_BOLD, _LEAN = {"b", "strong", "th", "dt"}, {"i", "em"}
_CELLS = {"two": "two", "sure": "sure", "crop": "two", "sign": "sign", "zones-of": "columns"}
_KEPT = {"check": "box", "halt": "halt", "weighty": "weighty", "keep": "keep", "go": "keep",
         "warned": "keep"}
_WIDE_SPAN = 15.0
_LONG_WORD = 18
_PIECE = re.compile(r"[^/_\-.,;:=]{1,8}[/_\-.,;:=]?|[/_\-.,;:=]")
_WIDE_CHARACTER = re.compile("[mwMW%@—]")


def pieces(text: str) -> list[str]:
    """The text cut where a line may break inside words that are too long for a narrow column."""
    if len(text) <= _LONG_WORD or all(len(word) <= _LONG_WORD for word in text.split(" ")):
        return [text]
    cut: list[str] = [""]
    for word in re.split(r"(?<= )", text):
        if len(word) <= _LONG_WORD + 1:
            cut[-1] += word
        else:
            found = _PIECE.findall(word)
            cut[-1] += found[0]
            cut += found[1:]
    return cut


def words_width(text: str, *, bold: bool = False) -> float:
    """About how wide a text is at most, in its own size."""
    wide = len(_WIDE_CHARACTER.findall(text))
    capital = sum(c.isupper() for c in text)
    foreign = sum(ord(c) > 0x2FF for c in text)
    return (0.47 * len(text) + 0.38 * wide + 0.14 * capital + 0.3 * foreign) * (
        1.06 if bold else 1.0)


class Outline:
    """Turns elements into blocks; `drawings` are those of `read`."""

    def __init__(self, drawings: Sequence[str]) -> None:
        self.drawings = drawings
        self._ways: dict[str, Callable[[Node], list[Block]]] = {
            **dict.fromkeys(("h1", "h2", "h3", "h4", "h5", "h6"), self._heading),
            **dict.fromkeys(("p", "summary", "figcaption", "caption"), self._text),
            "ul": self._list, "ol": self._list, "dl": self._pairs, "table": self._table,
            "figure": self._figure, "img": self._picture,
        }

    def blocks(self, node: Node) -> list[Block]:
        """The blocks inside an element; loose text between them becomes paragraphs."""
        made: list[Block] = []
        loose: list[Node | str] = []

        def settle() -> None:
            runs = self.runs(loose)
            loose.clear()
            if runs:
                made.append({"is": "text", "runs": runs, "look": "plain"})

        for child in node.children:
            if isinstance(child, str) or child.tag in _INLINE:
                loose.append(child)
                continue
            settle()
            made += self._block(child)
        settle()
        return made

    def _block(self, node: Node) -> list[Block]:
        if node.tag in _SILENT:
            return []
        if node.tag == "details" and "paper" not in node.classes:
            return self._on_screen_only(node)
        make = self._ways.get(node.tag)
        return self._group(node) if make is None else make(node)

    def _heading(self, node: Node) -> list[Block]:
        # The name of a part stands above all headings inside it.
        level = 1 if "part-name" in node.classes else int(node.tag[1])
        return [{"is": "heading", "level": level, "runs": self.runs(node.children)}]

    def _list(self, node: Node) -> list[Block]:
        items = [_one_start(self.blocks(item)) for item in node.elements() if item.tag == "li"]
        look = "boxes" if _has_box(node) else "fill-in" if "fill-in" in node.classes else node.tag
        small = bool({"small", "cautions"} & node.classes)
        return [{"is": "list", "look": look, "items": items, "small": small}] if items else []

    def _group(self, node: Node) -> list[Block]:
        """Blocks of an element that says how they stand together, or just the blocks."""
        look = next((_CELLS[name] for name in _CELLS if name in node.classes), None)
        if look is not None:
            cells = [self._block(child) for child in node.elements()]
            return [{"is": "cells", "look": look, "cells": [one for one in cells if one]}]
        inside = self.blocks(node)
        kind = next((_KEPT[name] for name in _KEPT if name in node.classes), None)
        if node.attributes.get("aria-labelledby", "").startswith("pass-"):
            kind = "leaf"
        return [{"is": kind, "blocks": inside}] if kind is not None and inside else inside

    def _on_screen_only(self, node: Node) -> list[Block]:
        """What the page folds away and prints only where somebody opens it: said, not printed."""
        head = next((one for one in node.elements() if one.tag == "summary"), None)
        runs = [] if head is None else [
            one for one in self.runs(head.children) if not one.get("small")]
        return [{"is": "text", "look": "small",
                 "runs": [{"say": ["Stands on page.html and is not printed: "]}, *runs]}]

    def _text(self, node: Node) -> list[Block]:
        # A paragraph of ours holds no drawing; its text is all there is.
        runs = self.runs(node.children)
        looks = ("part-lead", "lead", "small", "flag", "cap", "over")
        look = "lead" if node.tag == "summary" else next(
            (name for name in looks if name in node.classes), "plain")
        return [{"is": "text", "runs": runs, "look": look}] if runs else []

    def _pairs(self, node: Node) -> list[Block]:
        items: list[tuple[list[Run], list[Block]]] = []
        for child in node.all():
            if child.tag == "dt":
                items.append((self.runs([child]), []))
            elif child.tag == "dd" and items:
                items[-1][1].extend(self.blocks(child))
        look = next((n for n in ("facts", "answers", "ways") if n in node.classes), "pairs")
        return [{"is": "pairs", "look": look,
                 "items": [{"name": name, "blocks": blocks} for name, blocks in items]}]

    def _figure(self, node: Node) -> list[Block]:
        picture = next((one for one in node.all() if one.tag == "img"), None)
        words = next((one for one in node.all() if one.tag == "figcaption"), None)
        caption = [] if words is None else self.runs(words.children)
        if picture is None:
            return [{"is": "text", "runs": caption, "look": "small"}] if caption else []
        (shown,) = self._picture(picture)
        return [{**shown, "caption": caption, "wide": "wide" in node.classes}]

    def _picture(self, node: Node) -> list[Block]:
        svg = self.drawings[int(node.attributes["data-drawing"])]
        said = [html.unescape(found) for found in
                re.findall(r"<(?:title|desc)\b[^>]*>(.*?)</(?:title|desc)>", svg, re.DOTALL)]
        return [{"is": "picture", "svg": svg, "alt": ". ".join(said[:2]), "caption": [],
                 "wide": False}]

    def _table(self, node: Node) -> list[Block]:
        head: list[list[Block]] = []
        body: list[list[Block]] = []
        foot: list[list[Block]] = []
        for part in node.elements():
            rows = [row for row in part.elements() if row.tag == "tr"]
            into = {"thead": head, "tfoot": foot}.get(part.tag, body)
            into += [[self._cell(cell) for cell in row.elements()] for row in rows]
        caption = next((one for one in node.elements() if one.tag == "caption"), None)
        count = max((sum(cell["across"] for cell in row) for row in [*head, *body, *foot]),
                    default=1)
        least, most = _widths([*head, *body, *foot], count)
        blanks = "blanks" in node.classes
        return [{"is": "table", "head": head, "body": body, "foot": foot, "columns": count,
                 "least": least, "most": most, "blanks": blanks,
                 "caption": [] if caption is None else self.runs(caption.children)}]

    def _cell(self, node: Node) -> Block:
        blocks = self.blocks(node)
        loud = node.tag == "th" or "rate" in node.classes
        for one in blocks:
            if one["is"] == "text" and one["look"] == "plain" and loud:
                one["runs"] = [{**run, "bold": True} for run in one["runs"]]
        shown = "".join(words(one) for one in blocks)
        return {"blocks": blocks, "across": int(node.attributes.get("colspan", 1) or 1),
                "down": int(node.attributes.get("rowspan", 1) or 1), "head": node.tag == "th",
                "right": bool({"n", "num"} & node.classes), "long": len(shown) > 1200,
                "group": "group" in node.classes}

    def runs(self, children: Sequence[Node | str]) -> list[Run]:
        """The text of inline elements, white space as HTML shows it."""
        found: list[Run] = []
        for child in children:
            self._inline(child, {}, found)
        return _collapsed(found)

    def _inline(self, child: Node | str, look: Run, found: list[Run]) -> None:
        if isinstance(child, str):
            found.append({**look, "text": child})
            return
        tag, classes = child.tag, child.classes
        if tag in _SILENT or tag == "img":
            return
        if tag == "br":
            found.append({"end": True})
            return
        if "box" in classes:
            found.append({"box": "".join(texts(child)).strip()})
            return
        mine = dict(look)
        for name, wanted in (
            ("bold", tag in _BOLD or "told" in classes or "word" in classes),
            ("lean", tag in _LEAN), ("code", tag == "code"),
            ("small", tag == "small" or bool({"small", "hint"} & classes)),
            ("mark", "mark" in classes),
            ("whole", "grade" in classes),
        ):
            if wanted:
                mine[name] = True
        for inner in child.children:
            self._inline(inner, mine, found)


def _one_start(blocks: list[Block]) -> list[Block]:
    """An item's blocks; words before its first paragraph go into it."""
    if len(blocks) > 1 and blocks[0]["is"] == blocks[1]["is"] == "text":
        first, second, *rest = blocks
        return [{**second, "runs": [*first["runs"], {"say": [" "]}, *second["runs"]]}, *rest]
    return blocks


def _has_box(node: Node) -> bool:
    return any("box" in one.classes for one in node.all())


def _collapsed(found: Sequence[Run]) -> list[Run]:
    """Runs with white space as one space, none at the ends, words as breakable pieces."""
    kept: list[Run] = []
    gap = True
    for run in found:
        if "text" not in run:
            kept.append(run)
            gap = True
            continue
        text = re.sub(r"[ \t\r\n\f]+", " ", run["text"])
        text = text[1:] if gap and text.startswith(" ") else text
        if text:
            gap = text.endswith(" ")
            kept.append({**run, "text": text})
    while kept and "text" in kept[-1] and not kept[-1]["text"].strip(" "):
        kept.pop()
    while kept and "end" in kept[-1]:
        kept.pop()
    if kept and "text" in kept[-1]:
        kept[-1] = {**kept[-1], "text": kept[-1]["text"].rstrip(" ")}
    made = []
    for run in kept:
        if "text" in run:
            text = run.pop("text")
            if len(text) > 3 * _LONG_WORD:
                run.pop("whole", None)
            run["say"] = [text] if run.get("whole") else pieces(text)
        made.append(run)
    return made


def words(block: Any) -> str:
    """All words of blocks or runs, for lengths and searches."""
    if isinstance(block, list):
        runs = all(isinstance(one, dict) and {"say", "end", "box"} & set(one) for one in block)
        return ("" if runs else " ").join(filter(None, map(words, block)))
    if not isinstance(block, dict):
        return ""
    if "say" in block:
        return "".join(block["say"])
    return " " if "end" in block else words([one for one in block.values() if one])


def _widths(rows: Sequence[Sequence[Block]], count: int) -> tuple[list[float], list[float]]:
    """Least and greatest useful width of each column, in sizes of its text."""
    least, most = [1.0] * count, [1.0] * count
    spans: list[tuple[int, int, float, float]] = []
    taken = [0] * count
    for row in rows:
        at = 0
        for cell in row:
            while at < count and taken[at]:
                taken[at] -= 1
                at += 1
            narrow, wide = _cell_widths(cell["blocks"])
            end = min(at + cell["across"], count)
            if end - at == 1:
                least[at], most[at] = max(least[at], narrow), max(most[at], wide)
            elif not cell["group"]:
                spans.append((at, end, narrow, min(wide, _WIDE_SPAN)))
            taken[at:end] = [cell["down"] - 1] * (end - at)
            at = end
        taken[at:] = [max(0, rows_left - 1) for rows_left in taken[at:]]
    for at, end, narrow, wide in spans:
        for widths, wanted in ((least, narrow), (most, wide)):
            lacks = (wanted - sum(widths[at:end])) / max(end - at, 1)
            widths[at:end] = [width + max(0.0, lacks) for width in widths[at:end]]
    return least, most


def _cell_widths(blocks: Sequence[Block]) -> tuple[float, float]:
    narrow = wide = 0.0
    for block in blocks:
        if block["is"] == "list":
            inner = [_cell_widths(item) for item in block["items"]]
            narrow = max([narrow, *(one[0] + 1.2 for one in inner)])
            wide = max([wide, *(one[1] + 1.2 for one in inner)])
        elif block["is"] == "text":
            line = 0.0
            for run in block["runs"]:
                if "end" in run:
                    line = 0.0
                for piece in run.get("say", ()):
                    size = 0.88 if run.get("small") else 1.25 if run.get("code") else 1.0
                    bold = bool(run.get("bold"))
                    parts = [piece] if run.get("whole") else piece.split(" ")
                    narrow = max(narrow, *(size * words_width(one, bold=bold) for one in parts))
                    line += size * words_width(piece, bold=bold)
                    wide = max(wide, line)
    return narrow, wide
