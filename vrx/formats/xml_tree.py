"""A stranger's XML as a tree of elements: no document type, no entity, nothing fetched, bounded."""

from __future__ import annotations

import re
from typing import NoReturn
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from vrx.errors import InputError
from vrx.formats.guarded_xml import guarded_parser

MOST_BYTES = 64 << 20
MOST_ELEMENTS = 1_000_000
DEEPEST = 100


class _Reader:
    """Feeds expat's events to a `TreeBuilder` and refuses what no file of a field needs."""

    def __init__(self, where: str) -> None:
        self.where, self.depth, self.elements = where, 0, 0
        self.builder = TreeBuilder()
        self.parser = guarded_parser(self._doctype)
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self.builder.data

    def _refused(self, what: str, code: str, hint: str) -> InputError:
        line = self.parser.CurrentLineNumber
        return InputError(what, code=code, where=f"{self.where} line {line}", hint=hint)

    def _doctype(self, *_: object) -> NoReturn:
        raise self._refused("declares a document type or an entity, which is refused",
                            "xml-doctype", "export it again without <!DOCTYPE> and <!ENTITY>")

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        self.elements += 1
        if self.depth > DEEPEST or self.elements > MOST_ELEMENTS:
            raise self._refused(f"holds more than {MOST_ELEMENTS} elements or {DEEPEST} levels",
                                "xml-too-large", "export only the features of this field")
        self.builder.start(tag, attributes)

    def _end(self, tag: str) -> None:
        self.depth -= 1
        self.builder.end(tag)

    def tree(self, data: bytes) -> Element:
        self.parser.Parse(data, True)
        return self.builder.close()


def xml_tree(data: bytes, *, where: str) -> Element:
    """The root element; tags are "namespace}name", or "name" without a namespace.

    Raises `InputError` for text that is not well-formed, a document type or entity, and more than
    64 MiB, a million elements or 100 levels.
    """
    if not data.strip():
        raise InputError("is empty", code="file-empty", where=where, hint="copy it again")
    if len(data) > MOST_BYTES:
        raise InputError(f"has {len(data)} bytes; at most {MOST_BYTES} are read",
                         code="xml-too-large", where=where,
                         hint="export only the features of this field")
    # Blank lines before the declaration are common and harmless; expat refuses them.
    if re.match(rb"\s+<", data):
        data = data.lstrip()
    try:
        return _Reader(where).tree(data)
    except InputError:
        raise
    except (expat.ExpatError, ValueError, LookupError) as err:
        raise InputError(f"is not well-formed XML: {err}", code="xml-broken", where=where,
                         hint="export or copy it again") from err
