"""Reads rule books: the built-in ones and the user's own, which work exactly alike."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from vrx.errors import RuleError
from vrx.formats.toml_file import toml_bytes, toml_document
from vrx.rules.book import KINDS, Book
from vrx.rules.faults import explained
from vrx.rules.names import advice

if TYPE_CHECKING:
    from vrx.rules.schema_parts import Conversion, Crop


def load_books(folders: Sequence[Path] = ()) -> Mapping[str, Book]:
    """All books by id: built in, then those of `folders` (folders of .toml files, or files).

    RuleError names file, key path, value and what to do: unreadable or invalid file, missing
    folder, an id that is used twice (also where a user's book takes a built-in id).
    """
    books = dict(_built_in())
    for given in folders:
        for path in _files(Path(given)):
            book = read_book(path)
            _add(books, book)
    return MappingProxyType(books)


def read_book(path: Path) -> Book:
    """One rule-book file of a user. RuleError as for `load_books`."""
    def refuse(what: str, hint: str) -> RuleError:
        return RuleError(what, code="rules-file", where=str(path), hint=hint)

    raw = toml_bytes(path, refuse=refuse)
    return parse_book(raw, file=str(path), origin="user")


def parse_book(raw: bytes, *, file: str, origin: str) -> Book:
    """A book from the bytes of a TOML file. RuleError names file, key path and value."""
    from vrx.rules.schema import BookFile

    data = _validated(raw, file, BookFile)
    return Book(id=data.id, nutrient=data.nutrient, file=file, origin=origin, data=data,
                sha256=hashlib.sha256(raw).hexdigest())


def own_book_template(kind: str = "class-table") -> str:
    """A commented rule-book file of one kind of rule; it loads as it is, with invented numbers.

    RuleError with the nearest name for a kind that is not of the closed set.
    """
    if kind not in KINDS:
        raise RuleError(f"no kind of rule is called {kind!r}", code="rules-kind-unknown",
                        where="vrx books template", hint=advice(kind, KINDS))
    held = resources.files("vrx.rules").joinpath("templates", f"{kind}.toml")
    return held.read_text(encoding="utf-8")


def kinds_in_words() -> Mapping[str, str]:
    """Kind of rule → what it does, as its template says in the first line."""
    return {kind: own_book_template(kind).partition(".")[0].partition(": ")[2] for kind in KINDS}


@cache
def conversions() -> tuple[Conversion, ...]:
    """The built-in conversions between extractants."""
    from vrx.rules.schema import ConversionList

    raw = resources.files("vrx.rules").joinpath("conversions.toml").read_bytes()
    found: ConversionList = _validated(raw, "conversions.toml", ConversionList)
    return found.conversions


@cache
def crops() -> Mapping[str, Crop]:
    """Crops with an uptake figure, by id."""
    from vrx.rules.schema import CropList

    raw = resources.files("vrx.rules").joinpath("crops.toml").read_bytes()
    return MappingProxyType({c.id: c for c in _validated(raw, "crops.toml", CropList).crops})


@cache
def _built_in() -> Mapping[str, Book]:
    books: dict[str, Book] = {}
    folder = resources.files("vrx.rules").joinpath("books")
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".toml"):
            _add(books, parse_book(entry.read_bytes(), file=entry.name, origin="built in"))
    return MappingProxyType(books)


def _files(path: Path) -> list[Path]:
    try:
        there, folder = os.path.lexists(path), path.is_dir()
        found = sorted(p for p in path.iterdir() if p.match("*.toml")) if folder else []
    except OSError as error:
        raise RuleError(f"cannot be read: {error.strerror or error}", code="rules-file",
                        where=str(path), hint="give yourself the right to read it") from error
    if folder:
        if not found:
            raise RuleError("the folder holds no .toml file", code="rules-folder-empty",
                            where=str(path), hint="put rule books there, or leave the folder out")
        return found
    if not there:
        raise RuleError("no such folder or file", code="rules-file", where=str(path),
                        hint="check the path in the plan's list of rule books")
    return [path]


def _add(books: dict[str, Book], book: Book) -> None:
    held = books.get(book.id)
    if held is not None:
        raise RuleError(
            f"the id {book.id!r} is already used by {held.file} ({held.origin})",
            code="rules-duplicate", where=book.file,
            hint=f"give the book an id of its own, such as {book.id + '-mine'!r}",
        )
    books[book.id] = book


def _validated(raw: bytes, file: str, model: type[Any]) -> Any:
    from pydantic import ValidationError

    def refuse(what: str, hint: str) -> RuleError:
        return RuleError(what, code="rules-toml", where=file, hint=hint)

    content = toml_document(raw, refuse=refuse)
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise explained(error, file, model, content) from None
