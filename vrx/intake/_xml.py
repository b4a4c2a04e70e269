"""XML of a user as plain values: no document type, no entity, no network, bounded size."""

from __future__ import annotations

from typing import Any, NoReturn
from xml.parsers import expat

from vrx.errors import InputError
from vrx.formats.guarded_xml import guarded_parser

MOST_XML_BYTES = 64 << 20
MOST_ELEMENTS = 2_000_000
MOST_LEVELS = 64


class _Builder:
    """Elements as dicts: attributes and children by local name, repeated children as lists."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.count = 0
        self.stack: list[tuple[str, dict[str, Any], list[str]]] = []
        self.root: tuple[str, Any] = ("", {})

    def refuse(self, *_: object) -> NoReturn:
        raise InputError("holds a document type or entity declaration, which a result file does "
                         "not need and which can blow up or fetch strangers", code="xml-doctype",
                         where=self.where, hint="ask the sender for a file without DOCTYPE")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.count += 1
        if self.count > MOST_ELEMENTS or len(self.stack) >= MOST_LEVELS:
            raise InputError(
                f"has more than {MOST_ELEMENTS:,} elements or {MOST_LEVELS} levels",
                code="xml-too-large", where=self.where, hint="send the results of one field")
        values = {_local(key): value for key, value in attributes.items()}
        self.stack.append((_local(name), values, []))

    def text(self, data: str) -> None:
        if self.stack:
            self.stack[-1][2].append(data)

    def end(self, _: str) -> None:
        name, values, pieces = self.stack.pop()
        said = " ".join("".join(pieces).split())
        value: Any = values
        if not set(values) - {"nil", "type"}:
            value = "" if values.get("nil") in {"true", "1"} else said
        elif said:
            values["#text"] = said
        if not self.stack:
            self.root = (name, value)
            return
        above = self.stack[-1][1]
        if name not in above:
            above[name] = value
        elif isinstance(above[name], _Several):
            above[name].append(value)
        else:
            above[name] = _Several([above[name], value])


class _Several(list[Any]):
    """Repeated children, told from a list that could be a value."""


def _local(name: str) -> str:
    return name.rpartition("}")[2].rpartition(":")[2]


def read_xml(data: bytes, *, where: str) -> tuple[str, Any]:
    """(name of the root element, its content): dicts, lists and text.

    Namespaces are dropped. Raises `InputError` for broken XML, declarations of a document type or
    of entities, and files beyond the limits.
    """
    if len(data) > MOST_XML_BYTES:
        raise InputError(f"is larger than {MOST_XML_BYTES >> 20} MiB of XML", code="xml-too-large",
                         where=where, hint="send the results of one field")
    builder = _Builder(where)
    parser = guarded_parser(builder.refuse)
    parser.StartElementHandler = builder.start
    parser.CharacterDataHandler = builder.text
    parser.EndElementHandler = builder.end
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError) as err:
        if isinstance(err, InputError):
            raise
        raise InputError(f"is not well-formed XML: {err}", code="xml-broken", where=where,
                         hint="copy it again from the laboratory") from err
    return builder.root
