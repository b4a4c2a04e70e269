"""JSON of a user: no key twice, no NaN, no bottomless nest."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from typing import Any

from vrx.errors import InputError

MOST_JSON_BYTES = 64 << 20


def half_a_character(data: bytes, document: Any) -> bool:
    """True for a lone surrogate, which JSON can escape and no text file can hold."""
    if b"\\ud" not in data.lower():
        return False
    try:
        json.dumps(document, ensure_ascii=False).encode("utf-8")
    except (UnicodeEncodeError, RecursionError):
        return True
    return False


def no_key_twice(where: str) -> Callable[[list[tuple[str, Any]]], dict[str, Any]]:
    """A hook for `json.loads` that raises `InputError` where it would keep the last of two."""

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(items)
        if len(found) < len(items):
            twice = Counter(key for key, _ in items).most_common(1)[0][0]
            raise InputError(f"has the key {twice!r} twice in one object", code="json-key-twice",
                             where=where, hint="one of the two would be lost: mend the file")
        return found

    return pairs


def read_json(data: bytes, *, where: str) -> Any:
    """Plain values. Raises `InputError` where `json` would lose a key or take NaN for a number."""
    if len(data) > MOST_JSON_BYTES:
        raise InputError(f"is larger than {MOST_JSON_BYTES >> 20} MiB", code="json-too-large",
                         where=where, hint="send the results of one field")

    pairs = no_key_twice(where)

    def constant(word: str) -> Any:
        raise InputError(f"holds {word}, which is no number of JSON", code="json-broken",
                         where=where, hint="leave a missing result out")

    try:
        document = json.loads(data.decode("utf-8-sig"), object_pairs_hook=pairs,
                              parse_constant=constant)
    except InputError:
        raise
    except (ValueError, RecursionError) as err:
        raise InputError(f"is not valid JSON: {err}", code="json-broken", where=where,
                         hint="copy it again from the laboratory") from err
    if half_a_character(data, document):
        raise InputError("holds half a character (a lone surrogate)", code="json-broken",
                         where=where, hint="copy it again from the laboratory")
    return document
