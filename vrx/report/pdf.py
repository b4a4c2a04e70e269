"""The printed report: a run's texts and drawings as one tagged PDF, laid out by Typst.

The page's HTML is read into its document tree (`outline`), so that the print holds the very texts
of the page. The tree goes to Typst as JSON and is never part of a program: a name of the field
prints as text, whatever it holds. Typst is an extra and is loaded when a PDF is asked for.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, cast

from vrx.errors import MissingExtra
from vrx.report import html_tree, pdf_letters
from vrx.report.outline import Block, Outline
from vrx.report.page import page, sheet
from vrx.report.svg import printable

if TYPE_CHECKING:
    import typst

PARTS = ("grower", "applicator", "agronomist")
"""The parts of the printed report, each for its reader, in their order on the page."""

_FOOT_LETTERS = 48
_TEMPLATE = Path(__file__).with_name("templates") / "pdf.typ"


def require_pdf() -> None:
    """Raise `MissingExtra` where Typst is not installed."""
    if find_spec("typst") is None:
        raise MissingExtra(
            "a PDF needs typst, which is not installed", code="export-extra", where="[export]",
            hint="pip install \"vrx[pdf]\", or take pdf out of [export]; page.html prints too",
        )


def pdf_bytes(
    views: Mapping[str, object], *, parts: Sequence[str] = PARTS, paper: str = "letter"
) -> bytes:
    """The PDF of `page_views`: tagged (PDF/UA-1), with bookmarks, on "letter" or "a4" paper.

    `parts` says which of `PARTS`, in which order. Equal views give equal bytes: no clock, no font
    of the machine, no file but the template. Characters that Typst's own fonts lack print as their
    code ([U+6D4B]), on drawings as an empty square. Raises `MissingExtra` without Typst.
    """
    require_pdf()
    document = _document(views, parts=parts, paper=paper)
    with TemporaryDirectory(prefix="vrx-pdf-") as root:
        compiler = _compiler(root)
        lacks = pdf_letters.missing(compiler, pdf_letters.characters(document)).__contains__
        try:
            return _compile(compiler, pdf_letters.with_codes(document, lacks))
        except pdf_letters.typst_error():
            # A cluster of characters may lie in no one font although each of them lies in some.
            return _compile(compiler, pdf_letters.with_codes(document, pdf_letters.is_foreign))


def _document(views: Mapping[str, object], *, parts: Sequence[str], paper: str) -> dict[str, Any]:
    # The applicator's part alone leaves the grower's money out, as its page does.
    root, drawings = html_tree.read(
        sheet(views) if tuple(parts) == ("applicator",) else page(views))
    reader = Outline(drawings)
    title = cast("Mapping[str, object]", views["title"])
    document: dict[str, Any] = {
        "title": printable(f"{title['field']}, season {title['season']}: prescription"),
        "foot-line": f"{_short(title['field'])} · {_short(views['run'])}",
        "paper": {"letter": "us-letter", "a4": "a4"}[paper],
        "head": _named(reader, root, "header"), "foot": _named(reader, root, "footer"),
        "parts": [reader.blocks(html_tree.by_id(root, part)) for part in parts],
    }
    for block in _all_blocks(document["head"]):
        if block.get("is") == "heading":
            # The document's own title is no heading of a part.
            block["is"] = "title" if block["level"] == 1 else "loud"
    for part in document["parts"]:
        _level(part)
    return document


def _named(reader: Outline, root: html_tree.Node, tag: str) -> list[Block]:
    return [block for node in root.all() if node.tag == tag for block in reader.blocks(node)]


def _short(text: object) -> str:
    """A name that fits the foot of a page."""
    whole = printable(str(text))
    return whole if len(whole) <= _FOOT_LETTERS else whole[: _FOOT_LETTERS - 1] + "…"


def _level(part: list[Block]) -> None:
    """Headings go down one level at a time, as tagged documents want them; parts are level 1."""
    above: list[int] = []
    for block in _all_blocks(part):
        if block.get("is") == "heading":
            while above and above[-1] >= block["level"]:
                above.pop()
            above.append(block["level"])
            block["level"] = len(above)


def _all_blocks(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    for one in inner:
        yield from _all_blocks(one)


def _compiler(root: str) -> typst.Compiler:
    import typst

    return typst.Compiler(root=root, ignore_system_fonts=True, package_path=root,
                          package_cache_path=root)


def _compile(compiler: typst.Compiler, document: Mapping[str, Any]) -> bytes:
    data = json.dumps(document, ensure_ascii=False, sort_keys=True)
    made = compiler.compile(_TEMPLATE.read_bytes(), format="pdf", sys_inputs={"data": data},
                            pdf_standards=["ua-1"])
    return cast("bytes", made)
