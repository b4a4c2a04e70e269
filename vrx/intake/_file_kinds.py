"""Files that people take for tables and that are not: named by what they hold, with a way out."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

from vrx.errors import InputError
from vrx.intake._files import ZIP_FAULTS

_SAVE = "open it in the program that made it and save it as .xlsx or as CSV, UTF-8"
_HEADS = (
    (re.compile(rb"%PDF-"), "is a PDF, a picture of a table", ("ask the laboratory for the results "
     "as .csv or .xlsx")),
    (re.compile(rb"\{\\rtf"), "is a text document (RTF)", _SAVE),
    (re.compile(rb"\s*(<!doctype html|<html|<table)", re.IGNORECASE), ("is a web page (HTML), "
     "whatever its name says"), _SAVE),
    (re.compile(rb"\s*<\?xml[^>]*>\s*(<\?[^>]*>\s*)*<(\w+:)?Workbook\b"),
     "is a workbook written as XML", _SAVE),
    (re.compile(rb"(\x89PNG|\xff\xd8\xff|II\*\x00|MM\x00\*)"), "is a picture",
     "ask the laboratory for the results as .csv or .xlsx"),
    (re.compile(rb"\x1f\x8b"), "is packed (gzip)", "unpack it first"),
)
_MEMBERS = (
    ("xl/workbook.bin", "is a binary workbook (.xlsb)", _SAVE),
    ("xl/workbook.xml", "is a workbook (.xlsx), but its name ends in {suffix!r}",
     "give it the suffix .xlsx"),
    ("word/document.xml", "is a text document (.docx)", _SAVE),
    ("content.xml", "is an OpenDocument file (.ods)", _SAVE),
    ("Index/Document.iwa", "is a workbook of another kind (.numbers)", _SAVE),
    ("Index.zip", "is a workbook of another kind (.numbers)", _SAVE),
)


def refuse_other_kinds(path: Path) -> None:
    """Raise `InputError` for a document, picture or workbook that no reader here opens."""
    if not path.is_file() or path.suffix.lower() in {".xlsx", ".xlsm"}:
        return
    try:
        with path.open("rb") as stream:
            head = stream.read(2048)
        if head.startswith(b"PK"):
            _refuse_packed(path)
    except InputError:
        raise
    except (PermissionError, *ZIP_FAULTS):
        return  # told where the file is read
    for pattern, what, hint in _HEADS:
        if pattern.match(head.removeprefix(b"\xef\xbb\xbf")):
            raise InputError(what, code="table-other-kind", where=path.name, hint=hint)


def _refuse_packed(path: Path) -> None:
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
    for member, what, hint in _MEMBERS:
        if member in names:
            raise InputError(what.format(suffix=path.suffix), code="table-other-kind",
                             where=path.name, hint=hint)
