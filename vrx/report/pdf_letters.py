"""Which characters a PDF can print: Typst's own fonts hold Latin, Greek, Cyrillic, Hebrew and more.

Fonts of the machine are never asked, since two machines would then print two documents. What the
fonts lack prints as its code, [U+6D4B], so that nothing is lost; on drawings, which have no room
for codes, as an empty square.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import typst

_NO_GLYPH = "□"
_REMARK = (
    "A character in the form [U+6D4B] is one that this document cannot print; on drawings it is an "
    "empty square. page.html holds it."
)
_PROBE = b"""
#set document(title: "probe", date: none)
#set text(lang: "en", font: ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono"))
#for one in json(bytes(sys.inputs.data)) [#text(one) #strong(text(one))]
"""
_SPOKEN = ("alt", "title", "is", "look")
_TURNS = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
_LAST_CYRILLIC = 0x52F


def typst_error() -> type[Exception]:
    """What Typst raises; it is loaded here and not before."""
    import typst

    return typst.TypstError


def characters(value: object) -> set[str]:
    """All characters in the texts of nested dicts and lists."""
    if isinstance(value, str):
        return set(value)
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return set().union(*(characters(one) for one in inner))


def missing(compiler: typst.Compiler, asked: set[str]) -> set[str]:
    """Those that no font has, that a tagged document may not hold, or that turn other words round.

    Typst is asked about all at once, then by halves until the guilty ones stand alone.
    """
    found = {one for one in asked if _misleads(one)}
    heap = [sorted(
        one for one in asked - found if not " " <= one <= "~" and one not in "\n\t")]
    while heap:
        some = heap.pop()
        if some and not _prints(compiler, some):
            middle = len(some) // 2
            if middle:
                heap += [some[:middle], some[middle:]]
            else:
                found.update(some)
    return found


def _misleads(character: str) -> bool:
    """Turns the order of what follows, breaks a line, or means what only its maker knows."""
    return unicodedata.bidirectional(character) in _TURNS or unicodedata.category(character) in (
        "Co", "Cn", "Zl", "Zp") or character == "\ufeff"


def _prints(compiler: typst.Compiler, some: Sequence[str]) -> bool:
    try:
        compiler.compile(_PROBE, format="pdf", pdf_standards=["ua-1"],
                         sys_inputs={"data": json.dumps(some)})
    except typst_error():
        return False
    return True


def is_foreign(character: str) -> bool:
    """Neither Latin, Greek nor Cyrillic, nor a sign that stands alone."""
    code, kind = ord(character), unicodedata.category(character)[0]
    return kind in "MC" or code > 0xFFFF or (code > _LAST_CYRILLIC and kind not in "PSZ")


def with_codes(document: Mapping[str, Any], lacks: Callable[[str], bool]) -> dict[str, Any]:
    """The document without characters that cannot print, and a remark if there were any.

    What is spoken and not drawn (alternative texts, the title in the file's facts) keeps them.
    """
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
            return value if name in _SPOKEN else coded(value, drawn=name == "svg")
        if isinstance(value, dict):
            return {key: walk(inner, key) for key, inner in value.items()}
        return [walk(one) for one in value] if isinstance(value, list) else value

    made: dict[str, Any] = walk(dict(document))
    if changed:
        remark = {"is": "text", "look": "small", "runs": [{"say": [_REMARK]}]}
        made["foot"] = [*made["foot"], remark]
    return made
