"""The printed report: a run's texts and drawings as one tagged PDF, laid out by Typst.

The page's HTML is read into its document tree (`outline`), so that the print holds the very texts
of the page. The tree goes to Typst as JSON and is never part of a program: a name of the field
prints as text, whatever it holds. Typst is an extra and is loaded when a PDF is asked for.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from vrx.errors import MissingExtra
from vrx.report import outline
from vrx.report.outline import Block
from vrx.report.page import page, template

if TYPE_CHECKING:
    import typst

PARTS = ("applicator", "agronomist", "grower")
"""The parts of the printed report, each for its reader, in their order."""

_TITLES = {
    "applicator": "Applicator’s sheets", "agronomist": "Agronomist’s audit",
    "grower": "Grower’s summary",
}
_LEADS = {
    "applicator": "One sheet for each pass, to sign and carry.",
    "agronomist": "What the rates rest on, line by line.",
    "grower": "What, where, at what cost, and what is not known.",
}
_SECTIONS = {
    "short": "grower", "machine": "applicator", "around": "applicator", "irrigation": "applicator",
}
"""Whose the page's sections are; all others are the agronomist's."""
_BREAK = {"is": "break"}
_REPLACED = {"sheet"}
_ROWS_OF_A_TABLE = 11
_MOST_ACROSS = 4
_NO_GLYPH = "□"
_CODES_REMARK = (
    "A character in the form [U+6D4B] is one that the fonts of this document do not have; page.html "
    "shows it."
)
_TEMPLATE = Path(__file__).with_name("templates") / "pdf.typ"


def require_pdf() -> None:
    """Raise `MissingExtra` where Typst is not installed."""
    if find_spec("typst") is None:
        raise MissingExtra(
            "a PDF needs typst, which is not installed", code="report-pdf-extra", where="[export]",
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
        missing = _missing(compiler, _characters(document))
        try:
            return _compile(compiler, _template(), _with_codes(document, missing.__contains__))
        except _typst_error():
            # A cluster of characters may lie in no one font although each of them lies in some.
            return _compile(compiler, _template(), _with_codes(document, _is_foreign))


def _document(views: Mapping[str, object], *, parts: Sequence[str], paper: str) -> dict[str, Any]:
    html = page(views)
    root, drawings = outline.read(html)
    reader = outline.Outline(drawings)
    of_part: dict[str, list[Block]] = {part: [] for part in PARTS}
    of_part["applicator"] += _sheets(views)
    for node in root.all():
        name = node.attributes.get("id", "")
        if node.tag == "section" and name not in _REPLACED:
            of_part[_SECTIONS.get(name, "agronomist")] += [
                {"is": "section", "blocks": reader.blocks(node)}]
    head = [block for node in root.all() if node.tag == "header" for block in reader.blocks(node)]
    foot = [block for node in root.all() if node.tag == "footer" for block in reader.blocks(node)]
    title = views["title"]
    assert isinstance(title, dict)
    document = {
        "title": f"{title['field']}, season {title['season']}: prescription",
        "field": str(title["field"]), "run": str(views["run"]),
        "paper": {"letter": "us-letter", "a4": "a4"}[paper],
        "head": head, "foot": foot,
        "parts": [
            {"title": _TITLES[part], "lead": _LEADS[part], "blocks": of_part[part]}
            for part in parts
        ],
    }
    _level(document)
    return document


def _sheets(views: Mapping[str, object]) -> list[Block]:
    """The applicator's leaves, one for each pass."""
    rows = views["zone_rows"]
    assert isinstance(rows, Sequence)
    across = min(_MOST_ACROSS, max(1, -(-len(rows) // _ROWS_OF_A_TABLE)))
    html = template("pdf_sheet.html.j2").render(views, tables_across=across)
    root, drawings = outline.read(html)
    leaves = outline.Outline(drawings).blocks(root)
    # Each leaf is carried alone; the first stands under the title of its part.
    return [*(one for leaf in leaves for one in (leaf, dict(_BREAK)))]


def _level(document: dict[str, Any]) -> None:
    """Headings go down one level at a time, as tagged documents want them; parts are level 1."""

    def walk(value: Any, before: int) -> int:
        if isinstance(value, dict):
            if value.get("is") == "heading":
                value["level"] = min(max(2, value["level"]), before + 1)
                return int(value["level"])
            for inner in value.values():
                before = walk(inner, before)
        elif isinstance(value, list):
            for inner in value:
                before = walk(inner, before)
        return before

    for block in _all_blocks(document["head"]):
        if block.get("is") == "heading":
            # The document's own title is no heading of a part.
            block["is"] = "title" if block["level"] == 1 else "loud"
    for part in document["parts"]:
        walk(part["blocks"], 1)


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


def _typst_error() -> type[Exception]:
    import typst

    return typst.TypstError


def _template() -> bytes:
    return _TEMPLATE.read_bytes()


def _compile(compiler: typst.Compiler, source: bytes, document: Mapping[str, Any]) -> bytes:
    data = json.dumps(document, ensure_ascii=False, sort_keys=True)
    made = compiler.compile(
        source, format="pdf", sys_inputs={"data": data}, pdf_standards=["ua-1"])
    assert isinstance(made, bytes)
    return made


def _characters(value: Any) -> set[str]:
    if isinstance(value, str):
        return set(value)
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return set().union(*(_characters(one) for one in inner))


def _missing(compiler: typst.Compiler, characters: set[str]) -> set[str]:
    """Those that Typst's fonts cannot print or that a tagged document may not hold."""
    plain = {chr(code) for code in range(0x20, 0x7F)}
    asked = sorted(characters - plain - {"\n", "\t"})
    found: set[str] = set()
    heap = [asked] if asked else []
    while heap:
        some = heap.pop()
        if not _prints(compiler, some):
            if len(some) == 1:
                found.update(some)
            else:
                heap += [some[: len(some) // 2], some[len(some) // 2 :]]
    return found


_PROBE = b"""
#set document(title: "probe", date: none)
#set text(lang: "en", font: ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono"))
#for one in json(bytes(sys.inputs.data)) [#text(one) #strong(text(one))]
"""


def _prints(compiler: typst.Compiler, characters: Sequence[str]) -> bool:
    try:
        compiler.compile(_PROBE, format="pdf", pdf_standards=["ua-1"],
                         sys_inputs={"data": json.dumps(list(characters))})
    except _typst_error():
        return False
    return True


def _is_foreign(character: str) -> bool:
    """Neither Latin, Greek nor Cyrillic, nor a sign that stands alone."""
    return ord(character) > 0x52F and unicodedata.category(character)[0] not in "PSZ" or (
        unicodedata.combining(character) > 0) or ord(character) > 0xFFFF


def _with_codes(document: Mapping[str, Any], lacks: Callable[[str], bool]) -> dict[str, Any]:
    """The document without characters that cannot print, and a remark if there were any."""
    changed = False

    def coded(text: str, *, drawn: bool) -> str:
        nonlocal changed
        if not any(map(lacks, text)):
            return text
        changed = True
        return "".join(
            (_NO_GLYPH if drawn else f"[U+{ord(c):04X}]") if lacks(c) else c for c in text)

    def walk(value: Any, name: str = "") -> Any:
        if isinstance(value, str):
            # What is spoken and not drawn keeps its letters.
            return value if name in ("alt", "title") else coded(value, drawn=name == "svg")
        if isinstance(value, dict):
            return {key: walk(inner, key) for key, inner in value.items()}
        return [walk(one) for one in value] if isinstance(value, list) else value

    made: dict[str, Any] = walk(dict(document))
    if changed:
        made["foot"] = [*made["foot"], {
            "is": "text", "look": "small", "runs": [{"say": [_CODES_REMARK]}]}]
    return made
