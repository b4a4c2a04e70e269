"""Bytes of a table -> rows of cells: encoding, then the mark that parts the cells."""

from __future__ import annotations

import csv
import io

from vrx.errors import InputError
from vrx.model import Finding, note

DELIMITERS = ("\t", ";", ",", "|")
_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}
_MARKS = (
    (b"\xef\xbb\xbf", "utf-8-sig", "UTF-8 with byte order mark"),
    (b"\xff\xfe\x00\x00", "utf-32", "UTF-32"),
    (b"\xff\xfe", "utf-16", "UTF-16 LE"),
    (b"\xfe\xff", "utf-16", "UTF-16 BE"),
)
# A download that wanted a password first, a report printed to a file.
_NO_TABLE = ((b"<!doctype html", "a web page"), (b"<html", "a web page"),
             (b"%pdf-", "a printed page (PDF)"), (b"{\\rtf", "a text document (RTF)"),
             (b"\x1f\x8b", "packed (gzip)"), (b"<?xml", "XML"),
             (b"<modusresult", "a result file (give it the suffix .xml)"))


def _wide_without_mark(data: bytes) -> str:
    """ "utf-16-le" or "utf-16-be" where every other byte is NUL, else ""."""
    head = data[:2000]
    if len(head) % 2:
        head = head[:-1]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if head and odd > 0.7 * len(head) / 2 and even == 0:
        return "utf-16-le"
    return "utf-16-be" if head and even > 0.7 * len(head) / 2 and odd == 0 else ""


def _refuse_binary(data: bytes, where: str) -> None:
    if data.startswith(b"PK\x03\x04"):
        raise InputError("is a zip or workbook, not text", code="table-not-text", where=where,
                         hint="give it the suffix .xlsx or .zip that it had")
    head = data[:512].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    for begins, what in _NO_TABLE:
        if head.startswith(begins):
            raise InputError(f"is {what}, not a table", code="table-not-text", where=where,
                             hint="download or export the table itself, as CSV or .xlsx")
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise InputError("is a workbook of the old binary kind (.xls)", code="table-old-workbook",
                         where=where, hint="save it as .xlsx or .csv")


def decoded(data: bytes, *, where: str) -> tuple[str, str, list[Finding]]:
    """Text, the name of its encoding and findings. Never falls back over NUL bytes."""
    if not data.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise InputError("is empty", code="file-empty", where=where, hint="copy it again")
    _refuse_binary(data, where)
    for mark, codec, name in _MARKS:
        if data.startswith(mark):
            try:
                return data.decode(codec).removeprefix("\ufeff"), name, []
            except UnicodeDecodeError as err:
                raise InputError(f"begins as {name} but is not (byte {err.start})",
                                 code="table-encoding", where=where,
                                 hint="save it again as CSV, UTF-8") from err
    wide = _wide_without_mark(data)
    if wide:
        try:
            text = data.decode(wide)
        except UnicodeDecodeError as err:
            raise InputError(f"looks like {wide.upper()} but is not (byte {err.start})",
                             code="table-encoding", where=where,
                             hint="save it again as CSV, UTF-8") from err
        return text, wide.upper(), [
            note("table-encoding", where, "has no byte order mark", done=f"read as {wide.upper()}")]
    if b"\x00" in data:
        raise InputError("holds NUL bytes, so it is not a text table", code="table-encoding",
                         where=where, hint="save it again as CSV, UTF-8")
    try:
        return data.decode("utf-8"), "UTF-8", []
    except UnicodeDecodeError:
        pass
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError as err:
        raise InputError(f"is neither UTF-8 nor Windows-1252 (byte {err.start})",
                         code="table-encoding", where=where,
                         hint="save it again as CSV, UTF-8") from err
    return text, "Windows-1252", [note(
        "table-encoding", where, "is not UTF-8", done="read as Windows-1252",
        todo="check names with accents")]


def _rows(text: str, delimiter: str, *, where: str, most: int | None = None) -> list[list[str]]:
    rows: list[list[str]] = []
    try:
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter):
            rows.append([cell.strip() for cell in row])
            if most is not None and len(rows) >= most:
                break
    except csv.Error as err:
        raise InputError(f"row {len(rows) + 1} cannot be parted into cells: {err}",
                         code="table-broken", where=where,
                         hint="look for a quotation mark without its twin") from err
    return rows


def cells_of(data: bytes, *, where: str) -> tuple[list[list[str]], str, str, list[Finding]]:
    """Rows of stripped cells, the delimiter, a description of the text, and findings."""
    text, encoding, findings = decoded(data, where=where)
    best, best_score = ",", (0, 0)
    for delimiter in DELIMITERS:
        sample = [
            row for row in _rows(text[:65536], delimiter, where=where, most=60)
            if any(row)
        ]
        widths = [len(row) for row in sample]
        usual = max(set(widths), key=lambda w: (widths.count(w), w)) if widths else 0
        score = (widths.count(usual), usual) if usual > 1 else (0, 0)
        if score > best_score:
            best, best_score = delimiter, score
    rows = _rows(text, best, where=where)
    return rows, best, f"{encoding}, cells parted by {_NAMES[best]}", findings
