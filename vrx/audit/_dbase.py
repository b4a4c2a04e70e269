"""The bytes of a dBASE table: encoding of its texts, numbers as they are written.

Layout after the dBASE III header: 32 bytes a field from byte 32 on, closed by 0x0D; type at 11,
width at 16, decimals at 17 of each; language driver at byte 29.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from vrx.audit._ledger import Ledger

_NUMBER = re.compile(rb"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_DRIVERS = {0x01: "cp437", 0x02: "cp850", 0x03: "cp1252", 0x13: "cp932", 0x57: "cp1252",
            0x64: "cp852", 0x65: "cp866", 0xC8: "cp1250", 0xC9: "cp1251", 0xCB: "cp1253"}
"""Language drivers (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    name: bytes
    kind: bytes
    width: int
    decimals: int
    start: int


def _fields(data: bytes) -> list[_Field]:
    found: list[_Field] = []
    start, place = 1, 32
    while place + 32 <= len(data) and data[place] != 0x0D:
        one = data[place : place + 32]
        found.append(_Field(name=one[:11].partition(b"\0")[0], kind=one[11:12].upper(),
                            width=one[16], decimals=one[17], start=start))
        start, place = start + one[16], place + 32
    return found


def _cells(data: bytes, field: _Field) -> Iterator[bytes]:
    count = int.from_bytes(data[4:8], "little")
    head, width = (int.from_bytes(data[k : k + 2], "little") for k in (8, 10))
    for row in range(count):
        at = head + row * width + field.start
        yield data[at : at + field.width]


def _is_utf8(cell: bytes, width: int) -> bool:
    """Whether a cell is UTF-8; one that is full may be cut within its last character."""
    bare = cell.rstrip(b" \0")
    try:
        codecs.getincrementaldecoder("utf-8")().decode(bare, final=len(bare) < width)
    except UnicodeDecodeError:
        return False
    return True


def encoding(parts: Mapping[str, bytes], name: str, ledger: Ledger) -> str:
    """How the texts of a table are encoded: as UTF-8 where they are that, else as the .cpg says.

    Bytes that are valid UTF-8 with characters beyond ASCII are no other encoding by chance. Without
    a .cpg the language driver tells, else Windows-1252 is taken with a doubt.
    """
    data = parts[".dbf"]
    fields = _fields(data)
    texts = [(one.name, 11) for one in fields]
    texts += [(cell, one.width) for one in fields if one.kind == b"C"
              for cell in _cells(data, one)]
    said = parts.get(".cpg", b"").decode("ascii", errors="replace").strip()
    stated = _codec(said)
    if all(cell.isascii() for cell, _ in texts):
        return stated or "utf-8"
    where = name.removesuffix(".shp") + ".dbf"
    if all(_is_utf8(cell, width) for cell, width in texts):
        if stated not in {None, "utf-8"}:
            ledger.doubt("encoding", where, f"the .cpg says {said}, but its texts are UTF-8; read "
                         "as UTF-8", todo="other programs will show other letters")
        return "utf-8"
    known = None if stated == "utf-8" else stated
    taken = known or _codec(_DRIVERS.get(data[29], "")) or "cp1252"
    if known is None:
        ledger.doubt("encoding", where, f"its texts are no UTF-8, and no .cpg tells another "
                     f"encoding; read as {taken}", todo="look whether names are spelt right")
    return taken


def _codec(said: str) -> str | None:
    for name in (said, f"cp{said}", f"iso{said.replace('-', '')}"):
        try:
            found = codecs.lookup(name).name
        except (LookupError, ValueError, UnicodeError):
            continue
        return found if name else None
    return None


def _padded(cell: bytes, text: bytes, field: _Field) -> bool:
    """Whether zero bytes only fill up a whole number that begins the field, as some writers do."""
    decimals = len(text.partition(b".")[2])
    return cell == text.ljust(len(cell), b"\0") and decimals == field.decimals


def check_numbers(data: bytes, name: str, ledger: Ledger) -> None:
    """Fault numbers that are not written as numbers, and decimals where the field has none.

    Readers make nothing, or part of a number, of "50,00"; of "50.75" in a field without decimals
    they make 50, all alike, so that no comparison of readers shows it.
    """
    for field in _fields(data):
        if field.kind not in {b"N", b"F"}:
            continue
        column = field.name.decode("utf-8", errors="replace")
        for row, cell in enumerate(_cells(data, field), start=1):
            text = cell.replace(b"\0", b" ").strip()
            if not text or not text.strip(b"*"):
                continue
            where = f"{name.removesuffix('.shp')}.dbf, record {row}, column {column}"
            shown = text.decode("ascii", errors="replace")
            if b"\0" in cell and not _padded(cell, text, field):
                ledger.fault("number-form", where, f"digits are lost: {shown!r} stands between "
                             "zero bytes", value=shown, todo="the file is damaged: copy it again")
            elif not _NUMBER.fullmatch(text):
                ledger.fault("number-form", where, f"is written {shown!r}: no number",
                             value=shown, todo="export again with decimal points, without units")
            elif field.kind == b"N" and not field.decimals and not float(text).is_integer():
                ledger.fault("number-form", where, f"is written {shown!r} in a field without "
                             "decimals; readers cut it", value=shown, todo="export again")
