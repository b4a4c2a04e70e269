"""What a folder's files hold now: read again only where a look at the disk says they changed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from vrx.pipeline.commit import sha256

_Stat = tuple[int, int, int, int]


class Sums:
    """SHA-256 of files, kept for as long as size, times and place on the disk stay."""

    def __init__(self) -> None:
        self._known: dict[Path, tuple[_Stat, str]] = {}

    def of(self, path: Path) -> str:
        """The file's sum, "" where none can be read."""
        try:
            found = path.stat()
            stat = (found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)
            known = self._known.get(path)
            if known is None or known[0] != stat:
                # The stat before the bytes: a change while they are read is seen next time.
                known = self._known[path] = (stat, sha256(path))
        except OSError:
            return ""
        return known[1]

    def of_all(self, paths: Mapping[str, Path]) -> dict[str, str]:
        """The sum of every file by its name."""
        return {name: self.of(path) for name, path in sorted(paths.items())}


def short_sum(*parts: object) -> str:
    """Twelve hexadecimal digits that stand for these values."""
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:12]
