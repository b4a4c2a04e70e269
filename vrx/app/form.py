"""Forms as they are sent: fields with limits, and files streamed into the folder."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import re
import secrets
import unicodedata
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any
from urllib.parse import parse_qsl

from vrx.errors import ExportError, InputError

MOST_FIELDS = 400
MOST_FILES = 20
MOST_TEXT = 20_000
MOST_NAME = 120
SCRATCH = ".bring-"
_NAME = re.compile(r"[\w .,()+=@&'-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """A file that was sent: a safe name, the name as sent, and the scratch file that holds it."""

    name: str
    told: str
    scratch: Path
    size: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """The fields of a form. A wrong value raises `InputError`; `where` is the control's name."""

    fields: Mapping[str, Sequence[str]]
    files: tuple[Brought, ...] = ()

    def has(self, name: str) -> bool:
        """Whether the form has a field of this name with something in it."""
        return any(one.strip() for one in self.fields.get(name, ()))

    def text(self, name: str, default: str | None = None, *, most: int = 2000) -> str:
        """One text without control characters, trimmed; `default` where it is absent or empty."""
        told = self.fields.get(name, ())
        if len(told) > 1:
            raise _wrong(name, "is there more than once", "send one value")
        text = told[0].replace("\r\n", "\n").strip() if told else ""
        if not text:
            if default is None:
                raise _wrong(name, "is empty", "fill it in")
            return default
        if len(text) > most:
            raise _wrong(name, f"has {len(text):,} characters; {most:,} is the most", "shorten it")
        if any(unicodedata.category(c) in {"Cc", "Cs"} and c not in "\n\t" for c in text):
            raise _wrong(name, "holds characters that are no text", "type it again")
        return text

    def number(self, name: str, default: float | None = None) -> float:
        """One number, written with a decimal point; thousands may be parted by commas."""
        if not self.has(name) and default is not None:
            return default
        text = self.text(name, most=40)
        plain = text.replace("−", "-")
        if re.fullmatch(r"-?\d{1,3}(,\d{3})+(\.\d*)?", plain):
            plain = plain.replace(",", "")
        try:
            value = float(plain)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in plain:
            raise _wrong(name, f"{text!r} is no number", "write it as 12.5")
        return value

    def whole(self, name: str, default: int | None = None) -> int:
        """One whole number."""
        value = self.number(name, default)
        if value != int(value):
            raise _wrong(name, f"{value:g} is no whole number", "write it without a fraction")
        return int(value)

    def list(self, name: str) -> tuple[str, ...]:
        """All values of a name, in order, each as `text` takes it; empty ones are left out."""
        told = [one for one in self.fields.get(name, ()) if one.strip()]
        return tuple(Form(fields={name: (one,)}).text(name) for one in told)

    def json(self, name: str) -> Any:
        """A value written as JSON."""
        text = self.text(name, most=MOST_TEXT)
        try:
            return json.loads(text, parse_constant=_no_constant)
        except (ValueError, RecursionError):
            raise _wrong(name, "cannot be read", "reload the page and do it again") from None


def _no_constant(text: str) -> float:
    raise ValueError(text)


def _wrong(name: str, what: str, hint: str) -> InputError:
    return InputError(what, code="app-form-value", where=name[:80], hint=hint)


def safe_name(told: str) -> str:
    """A plain base name for a file that a browser sends; "" where nothing of it can be kept."""
    base = re.split(r"[/\\]", unicodedata.normalize("NFC", told))[-1]
    base = "".join(c if _NAME.fullmatch(c) else "_" for c in base
                   if unicodedata.category(c)[0] != "C")
    base = re.sub(r"_{2,}", "_", " ".join(base.split())).strip(" .")
    stem, dot, suffix = base.rpartition(".")
    if not stem:
        stem, dot, suffix = base, "", ""
    if not stem.strip("_ .-"):
        return ""
    most = MOST_NAME - len(suffix.encode()) - 1
    while len(stem.encode()) > max(most, 1):
        stem = stem[:-1]
    if re.fullmatch(r"(?i)con|prn|aux|nul|com\d|lpt\d", stem):
        stem = f"{stem}_"
    return f"{stem}{dot}{suffix}"[:MOST_NAME]


def read_urlencoded(body: bytes) -> Form:
    """A form without files. Raises `InputError` for too many fields."""
    try:
        pairs = parse_qsl(body.decode("utf-8"), keep_blank_values=True,
                          max_num_fields=MOST_FIELDS, errors="strict")
    except (ValueError, UnicodeDecodeError):
        raise _wrong("the form", "cannot be read", "reload the page and do it again") from None
    return Form(fields=_gather(pairs))


def _as_named(raw: bytes) -> str:
    """A name as the page gave it. Browsers write three characters as codes (HTML Standard,
    "Multipart form data")."""
    text = raw.decode("utf-8", "replace")
    return text.replace("%22", '"').replace("%0D", "\r").replace("%0A", "\n")


def _gather(pairs: Sequence[tuple[str, str]]) -> dict[str, list[str]]:
    fields: dict[str, list[str]] = {}
    for name, value in pairs:
        fields.setdefault(name, []).append(value)
    return fields


@dataclass(slots=True)
class _Part:
    name: str = ""
    told: str | None = None
    data: bytearray = field(default_factory=bytearray)
    stream: IO[bytes] | None = None
    scratch: Path | None = None
    size: int = 0
    digest: Any = None


class Receiver:
    """Reads multipart form data; files go to scratch names in `folder` while they come.

    `check` is called with the fields before the first file: it refuses a form without its token
    before anything is written. `close` takes away every scratch file that is still there.
    """

    def __init__(self, content_type: str, *, folder: Path, check: Any) -> None:
        from python_multipart.multipart import MultipartParser, parse_options_header

        kind, options = parse_options_header(content_type)
        # RFC 2046, 5.1.1: a boundary has 1 to 70 characters; a longer one comes from no browser.
        if kind != b"multipart/form-data" or not 0 < len(options.get(b"boundary", b"")) <= 70:
            raise _wrong("the form", "is of another kind", "reload the page and do it again")
        self.folder, self.check = folder, check
        self.pairs: list[tuple[str, str]] = []
        self.files: list[Brought] = []
        self.part, self.head, self.value = _Part(), b"", b""
        self.scratches: list[Path] = []
        self.options = parse_options_header
        self.ended = False
        self.parser = MultipartParser(options[b"boundary"], {
            "on_part_begin": self._begin, "on_header_field": self._header_name,
            "on_header_value": self._header_value, "on_header_end": self._header_end,
            "on_headers_finished": self._headers, "on_part_data": self._data,
            "on_part_end": self._end, "on_end": self._finish,
        })

    async def read(self, chunks: AsyncIterator[bytes]) -> Form:
        """The whole form. Raises `InputError`; what was begun is taken away by `close`."""
        from python_multipart.exceptions import FormParserError

        try:
            async for chunk in chunks:
                if chunk:
                    self.parser.write(chunk)
            self.parser.finalize()
        except FormParserError:
            raise _wrong("the form", "cannot be read", "send it again") from None
        except OSError as err:
            raise ExportError(
                f"could not be kept: {err.strerror or err}", code="app-file-write", where="files",
                hint="is the folder still there and writable, and is there room on the disk? "
                "Nothing of it was kept") from err
        if not self.ended:
            raise _wrong("the form", "broke off before its end", "send it again")
        if not self.files:
            self.check(_gather(self.pairs))
        return Form(fields=_gather(self.pairs), files=tuple(self.files))

    def close(self) -> None:
        """Take away what is left of scratch files."""
        if self.part.stream is not None:
            # what could not be written on a full disk cannot be flushed either
            with contextlib.suppress(OSError):
                self.part.stream.close()
        for path in self.scratches:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)

    def _begin(self) -> None:
        self.part, self.head, self.value = _Part(), b"", b""

    def _header_name(self, data: bytes, start: int, end: int) -> None:
        self.head += data[start:end]

    def _header_value(self, data: bytes, start: int, end: int) -> None:
        self.value += data[start:end]

    def _header_end(self) -> None:
        if self.head.lower() == b"content-disposition":
            _, options = self.options(self.value)
            self.part.name = _as_named(options.get(b"name", b""))[:200]
            if b"filename" in options:
                self.part.told = _as_named(options[b"filename"])
        self.head, self.value = b"", b""

    def _headers(self) -> None:
        if self.part.told is None:
            if len(self.pairs) >= MOST_FIELDS:
                raise _wrong("the form", f"has more than {MOST_FIELDS} fields", "send less at once")
            return
        if not self.files:
            self.check(_gather(self.pairs))
        if len(self.files) >= MOST_FILES:
            raise _wrong("files", f"are more than {MOST_FILES}", "bring them in several goes, or "
                         "copy them into the folder yourself")
        if not self.part.told.strip():
            return
        path = self.folder / f"{SCRATCH}{secrets.token_hex(6)}"
        self.scratches.append(path)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL
                         | getattr(os, "O_NOFOLLOW", 0), 0o666)
        self.part.stream, self.part.scratch = os.fdopen(handle, "wb"), path
        self.part.digest = hashlib.sha256()

    def _data(self, data: bytes, start: int, end: int) -> None:
        piece = data[start:end]
        if self.part.told is None:
            if len(self.part.data) + len(piece) > MOST_TEXT:
                raise _wrong(self.part.name, "is too long", "shorten it")
            self.part.data += piece
        elif self.part.stream is not None:
            self.part.stream.write(piece)
            self.part.digest.update(piece)
            self.part.size += len(piece)

    def _end(self) -> None:
        part = self.part
        if part.told is None:
            self.pairs.append((part.name, part.data.decode("utf-8", "replace")))
            return
        if part.stream is None or part.scratch is None:
            return
        part.stream.flush()
        os.fsync(part.stream.fileno())
        part.stream.close()
        self.files.append(Brought(
            name=safe_name(part.told), told=part.told, scratch=part.scratch, size=part.size,
            sha256=part.digest.hexdigest()))
        self.part = _Part()

    def _finish(self) -> None:
        self.ended = True
