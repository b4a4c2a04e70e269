"""Awkward contents, names and paths: the rows of the table that every reader is put against."""

from __future__ import annotations

import io
import os
import random
import re
import warnings
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import wholes

TEXTS = {".csv", ".txt", ".geojson", ".json", ".kml", ".xml", ".XML", ".toml"}
RANDOM = random.Random(20260927).randbytes(3000)


def png() -> bytes:
    """An image of one pixel."""
    def chunk(kind: bytes, data: bytes) -> bytes:
        check = zlib.crc32(kind + data).to_bytes(4, "big")
        return len(data).to_bytes(4, "big") + kind + data + check

    head = bytes([0, 0, 0, 1, 0, 0, 0, 1, 8, 0, 0, 0, 0])
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(
        b"IDAT", zlib.compress(b"\0\0")) + chunk(b"IEND", b"")


def database(folder: Path) -> bytes:
    """A SQLite file that is no GeoPackage."""
    import sqlite3
    from contextlib import closing

    path = folder / "plain.sqlite"
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("create table people (name text, age integer)")
        base.execute("insert into people values ('A', 5)")
    return path.read_bytes()


def _swapped(number: str) -> Callable[[bytes, str], bytes | None]:
    """Puts a word in place of a number in the middle of a text."""

    def make(whole: bytes, suffix: str) -> bytes | None:
        if suffix not in TEXTS:
            return None
        spots = [m.span() for m in re.finditer(rb"(?<![\w.-])-?\d+\.?\d*(?![\w-])", whole)]
        begin, end = spots[2 * len(spots) // 3]
        return whole[:begin] + number.encode() + whole[end:]

    return make


def _dates(word: str) -> Callable[[bytes, str], bytes | None]:
    def make(whole: bytes, suffix: str) -> bytes | None:
        return whole.replace(b"2026-10-01", word.encode()) if b"2026-10-01" in whole else None

    return make


def _cut(share: float) -> Callable[[bytes, str], bytes | None]:
    return lambda whole, suffix: whole[: int(share * len(whole))]


def _heading_twice(whole: bytes, suffix: str) -> bytes | None:
    if suffix not in {".csv", ".txt"}:
        return None
    mark = b"\t" if b"\t" in whole else b","
    head, _, rest = whole.partition(b"\n")
    last = head.rpartition(mark)[2]
    return head + mark + last + b"\n" + b"\n".join(r + mark + b"1" for r in rest.split(b"\n"))


def _twice(whole: bytes, suffix: str) -> bytes | None:
    """A key or a member that stands twice, of which a reader would lose one."""
    if suffix in {".geojson", ".json"}:
        key = b'"features"' if b'"features"' in whole else b'"samples"'
        return whole.replace(b"{", b"{" + key + b": [], ", 1)
    if suffix in {".XML", ".xml", ".kml"}:
        return re.sub(rb"<(\w+)([ >])", rb'<\1 a="1" a="2"\2', whole, count=1)
    if suffix == ".toml":
        line = next(one for one in whole.splitlines() if one.startswith(b"schema"))
        return line + b"\n" + whole
    if suffix in {".zip", ".kmz", ".xlsx"}:
        with zipfile.ZipFile(io.BytesIO(whole)) as archive:
            members = [(one.filename, archive.read(one)) for one in archive.infolist()]
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w") as archive:
            for name, data in members:
                archive.writestr(name, data)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                archive.writestr(*members[0])
        return stream.getvalue()
    return None


def _deep(whole: bytes, suffix: str) -> bytes | None:
    many = 100_000
    if suffix in {".geojson", ".json"}:
        return b'{"type": "FeatureCollection", "features": ' + b"[" * many + b"]" * many + b"}"
    if suffix in {".kml", ".xml", ".XML"}:
        return b"<a>" * many
    if suffix == ".toml":
        return b"schema = " + b"[" * many + b"]" * many
    return None


def _dotted(whole: bytes, suffix: str) -> bytes | None:
    return b"a" + b".a" * 5000 + b" = 1\n" if suffix == ".toml" else None


def _wide(whole: bytes, suffix: str) -> bytes | None:
    if suffix not in {".csv", ".txt"}:
        return None
    return ",".join(f"c{k}" for k in range(100_000)).encode() + b"\n" + b"1," * 99_999 + b"1\n"


def _other(data: Callable[[], bytes], *own: str) -> Callable[[bytes, str], bytes | None]:
    return lambda whole, suffix: None if suffix in own else data()


HTML = (b"<!DOCTYPE html>\n<html><head><title>Sign in</title></head><body>\n<p>Please sign in, "
        b"then try again</p>\n<table><tr><td>a</td></tr></table></body></html>\n")
PDF = (b"%PDF-1.4\n1 0 obj\n<< /Type /Catalog /Pages 2 0 R >>\nendobj\ntrailer\n<< /Size 3 >>\n"
       b"%%EOF\n")
PROSE = b"Dear grower,\nplease find the results attached.\nKind regards\n"
GZIP = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03" + zlib.compress(b"a,b\n1,2\n")[2:-4] + bytes(8)

# Refused (or, by an audit, told as a fault) whatever the reader is.
NOTHING: dict[str, Callable[[bytes, str], bytes | None]] = {
    "empty": lambda whole, suffix: b"",
    "one byte": lambda whole, suffix: b"x",
    "only a byte order mark": lambda whole, suffix: b"\xef\xbb\xbf",
    "only a wide byte order mark": lambda whole, suffix: b"\xff\xfe",
    "only newlines": lambda whole, suffix: b"\r\n" * 500,
    "only NUL": lambda whole, suffix: bytes(4096),
    "random bytes": lambda whole, suffix: RANDOM,
    "an image": lambda whole, suffix: png(),
    "a web page": lambda whole, suffix: HTML,
    "a printed page": lambda whole, suffix: PDF,
    "packed by gzip": lambda whole, suffix: GZIP,
    "an empty zip": lambda whole, suffix: wholes.zipped({}),
    "a zip of strangers": lambda whole, suffix: wholes.zipped({"readme.md": PROSE, "a.png": png()}),
    "a raster": _other(wholes.raster, ".tif"),
    "a vector database": _other(wholes.geopackage, ".gpkg"),
    "a bare .shp": _other(lambda: wholes.shapefile_parts()[".shp"], ".shp"),
    "a key twice": _twice,
    "nested without end": _deep,
    "dotted without end": _dotted,
    "a hundred thousand columns": _wide,
}
# Refused, or read: then as the whole file is.
SAME: dict[str, Callable[[bytes, str], bytes | None]] = {
    "with a byte order mark": lambda whole, suffix: b"\xef\xbb\xbf" + whole,
    "a heading twice": _heading_twice,
    "bytes at its end": lambda whole, suffix: None if suffix in TEXTS else whole + b"\0" * 37,
    "cut at 10 %": lambda w, s: None if s in TEXTS else _cut(0.1)(w, s),
    "cut at 50 %": lambda w, s: None if s in TEXTS else _cut(0.5)(w, s),
    "cut at 90 %": lambda w, s: None if s in TEXTS else _cut(0.9)(w, s),
}
# Refused, or read: a text that was cut can be a whole shorter one, a value can be missing.
EITHER: dict[str, Callable[[bytes, str], bytes | None]] = {
    **{f"text cut at {share} %": (
        lambda w, s, share=share: _cut(share / 100)(w, s) if s in TEXTS else None)
       for share in (10, 50, 90)},
    "headings only": lambda w, s: w.split(b"\n")[0] if s in TEXTS else w[:100],
    "prose": lambda whole, suffix: PROSE,
    "a workbook": _other(lambda: wholes.zipped(wholes.book_parts()), ".xlsx"),
    **{f"a number {word[:12]}": _swapped(word) for word in (
        "NaN", "Infinity", "-Infinity", "1e400", "9" * 400, "9" * 5000, "-0", "0x10", "1_000",
        '""', "null", "²", "١٢", "\\u0000", "1;2", "=1+1")},
    **{f"a date {word}": _dates(word) for word in (
        "9999-12-31", "0001-01-01", "0000-00-00", "2026-13-45", "99999999-01-01", "-1", "1e9",
        "2026-10-01T25:61:61+99:99")},
}

NAMES = (
    "with space", " leading", "quote's \"two\"", "new\nline", "tab\there", "ümläut 日本 ру",
    "100%", "%41%2f", "%s%n", "a#b", "a?b=c", "a!b", "a|b", "a;b", "a&b", "a:b", "-rf", "--help",
    "NETCDF:a", "GTIFF_DIR:1:a", "GPKG:a:b", "a,b", "[1]", "*", "{}", "a\\b", "~", "$HOME", "@a",
    "<OGRVRTDataSource>", "{\"type\":\"Feature\"}", "e\u0301", "\u202egpj", "a.b.c", "con", "x.zip",
    "x.tar", "x.gz",
)
FOLDERS = ("x.zip", "x.gpkg", "x.shp", "x.tar.gz", "vsizip", "a!b", "with space", "100%", "-x",
           "new\nline", "zip:", "TASKDATA")
# No such file, and no business with the network or the inside of anything.
NOWHERE = (
    "/vsizip/{file}", "/vsicurl/http://127.0.0.1:{port}/a{suffix}", "/vsimem/a{suffix}",
    "/vsistdin/", "/vsizip//vsicurl/http://127.0.0.1:{port}/a.zip/a{suffix}",
    "http://127.0.0.1:{port}/a{suffix}", "https://127.0.0.1:{port}/a{suffix}",
    "zip://{file}!a{suffix}", "file://{file}", "s3://bucket/a{suffix}", "{folder}/none/a{suffix}",
    "{folder}/none{suffix}", "{file}/a{suffix}", "{folder}/nul\0nul{suffix}",
    "{folder}/" + "n" * 300 + "{suffix}", "{folder}/" + "d/" * 2100 + "a{suffix}",
    "~/none{suffix}", "$HOME/none{suffix}",
)


def longest(suffix: str) -> str:
    """A stem that makes a name of 255 bytes, the most that the file system holds."""
    return "n" * (255 - len(suffix.encode()))


def not_text() -> str:
    """A stem that is no UTF-8."""
    return os.fsdecode(b"a\xff\xfeb")
