"""Bytes of a table -> rows of cells: encoding, then the mark that parts the cells."""

from __future__ import annotations

import csv
import io
import re

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


_UNSEEN = re.compile("[\u200b-\u200f\u202a-\u202e\u2060\ufeff\u00ad\x1a]")


def seen(cell: str) -> str:
    """A cell without the marks that nobody sees: zero-width blanks, soft hyphens, end of file."""
    return _UNSEEN.sub("", cell).strip()


def _require_closed(text: str, delimiter: str, *, where: str) -> None:
    """Raise `InputError` where one quotation mark has swallowed further rows into a cell.

    A note of several lines is no fault; a cell whose lines are parted as the rows are, is.
    """
    if '"' not in text:
        return
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    line, usual = 1, 0
    try:
        for row in reader:
            usual = max(usual, len(row))
            for cell in row:
                lines = re.split(r"\r\n|\r|\n", cell)
                parted = sum(1 for one in lines[1:] if one.count(delimiter) >= max(usual - 1, 1))
                if parted:
                    raise InputError(
                        f"a cell that begins {cell[:24]!r} holds {parted} further rows of the "
                        "table", code="table-quote-open", where=f"{where}, from line {line}",
                        hint="a quotation mark (or the sign of inches) without its twin: close it "
                        "or take it out")
            line = reader.line_num + 1
    except csv.Error:
        return  # told where the rows are read


def _rows(text: str, delimiter: str, *, where: str, most: int | None = None) -> list[list[str]]:
    rows: list[list[str]] = []
    try:
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter):
            rows.append([seen(cell) for cell in row])
            if most is not None and len(rows) >= most:
                break
    except csv.Error as err:
        raise InputError(f"row {len(rows) + 1} cannot be parted into cells: {err}",
                         code="table-broken", where=where,
                         hint="look for a quotation mark without its twin") from err
    return rows


def _require_parted(rows: list[list[str]], *, where: str) -> None:
    """Raise `InputError` for a table whose columns are only aligned by blanks."""
    filled = [row for row in rows if any(row)]
    if len(filled) < 2 or any(len(row) > 1 for row in filled):
        return
    words = [len(row[0].split()) for row in filled]
    if sum(n >= 3 for n in words) > 0.8 * len(words):
        raise InputError("its columns are parted by blanks, which also stand within names",
                         code="table-not-parted", where=where,
                         hint="save it with commas, semicolons or tabs between the columns")


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
    _require_closed(text, best, where=where)
    _require_parted(rows, where=where)
    return rows, best, f"{encoding}, cells parted by {_NAMES[best]}", findings
