"""Earlier texts of a plan, so that a change made through the program can be undone and redone.

They stand in a hidden file beside the plan, which the plan itself never needs: without it, or with
a wrong one, there is only nothing to undo. A plan that was changed in another way since is never
overwritten.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from vrx.errors import PlanError
from vrx.plan.lock import not_written, plan_lock

PAST_NAME = ".plan-past.json"
MOST_TEXTS = 60
MOST_BYTES = 8 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPast:
    """Texts of a plan in their order, and `words` (one fewer) for what leads to the next.

    `at` is where the plan stands, None where its text is none of these.
    """

    texts: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    at: int | None = None

    @property
    def undo_words(self) -> str:
        """What undo would take back, "" where nothing is left."""
        return self.words[self.at - 1] if self.at else ""

    @property
    def redo_words(self) -> str:
        """What redo would bring back, "" where nothing was undone."""
        return "" if self.at is None or self.at >= len(self.words) else self.words[self.at]


def read_past(plan_file: Path) -> PlanPast:
    """The earlier texts of a plan; none where the file is not there or cannot be used."""
    return _read(plan_file, _text(plan_file))


def keep_past(plan_file: Path, *, after: str, words: str) -> None:
    """Note a change that is about to be written: from the plan's text now to `after`.

    The caller holds the plan's lock and replaces the plan next; should it be ended before, the
    plan's own text says so later. Raises `PlanError` (`answer-write`).
    """
    now = _text(plan_file)
    past = _read(plan_file, now)
    if past.at is None:
        past = PlanPast(texts=(now,), at=0)
    at = past.at or 0
    texts, told = (*past.texts[: at + 1], after), (*past.words[:at], words)
    while len(texts) > MOST_TEXTS or (
            len(texts) > 2 and sum(map(len, texts)) > MOST_BYTES // 4):
        texts, told = texts[1:], told[1:]
    _write(plan_file, PlanPast(texts=texts, words=told, at=len(texts) - 1))


def step_back(plan_file: Path) -> str:
    """Undo the last change made through the program; gives its words.

    Raises `PlanError`: `plan-no-undo`, or `plan-past-broken` where the plan was changed otherwise
    since; then nothing is written.
    """
    return _step(plan_file, back=True)


def step_forward(plan_file: Path) -> str:
    """Redo what was undone last; gives its words. Raises as `step_back` (`plan-no-redo`)."""
    return _step(plan_file, back=False)


def _step(plan_file: Path, *, back: bool) -> str:
    what = "undo" if back else "redo"
    with plan_lock(plan_file):
        past = read_past(plan_file)
        if past.texts and past.at is None:
            raise PlanError(
                f"the plan was changed by hand, or by another program, since: there is nothing to "
                f"{what}", code="plan-past-broken", where=str(plan_file),
                hint="what was written by hand is left as it is; changes from here on can be "
                "undone again")
        at, words = past.at, past.undo_words if back else past.redo_words
        if at is None or not words:
            raise PlanError(f"there is nothing to {what}",
                            code="plan-no-undo" if back else "plan-no-redo",
                            where=str(plan_file),
                            hint="only changes made through the program can be undone")
        to = at - 1 if back else at + 1
        _write(plan_file, PlanPast(texts=past.texts, words=past.words, at=to))
        replace_plan(plan_file, past.texts[to])
    return words


def replace_plan(plan_file: Path, text: str) -> None:
    """Put another text in a plan's place, whole or not at all; the caller holds its lock."""
    _replace(plan_file, text.encode("utf-8"))


def _replace(file: Path, data: bytes) -> None:
    scratch = file.with_name(file.name + ".new")
    try:
        with scratch.open("wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(scratch, file)
    except OSError as err:
        with suppress(OSError):
            scratch.unlink(missing_ok=True)
        raise not_written(file, err) from err


def _text(plan_file: Path) -> str:
    """The plan's text with its byte order mark and line ends; "" where there is none."""
    try:
        return plan_file.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError):
        return ""


def _read(plan_file: Path, now: str) -> PlanPast:
    file = plan_file.with_name(PAST_NAME)
    try:
        if file.stat().st_size > MOST_BYTES:
            return PlanPast()
        told = json.loads(file.read_bytes())
        texts, words, at = told["texts"], told["words"], told["at"]
        good = (_all_text(texts) and _all_text(words) and isinstance(at, int)
                and texts and len(words) == len(texts) - 1 and all(words))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return PlanPast()
    if not good:
        return PlanPast()
    # The plan's own text says where it stands: who wrote may have been ended between two files.
    there = [n for n, text in enumerate(texts) if text == now]
    return PlanPast(texts=tuple(texts), words=tuple(words),
                    at=min(there, key=lambda n: abs(n - at)) if there else None)


def _all_text(values: object) -> bool:
    return isinstance(values, Sequence) and not isinstance(values, str) and all(
        isinstance(one, str) for one in values)


def _write(plan_file: Path, past: PlanPast) -> None:
    told = {"texts": past.texts, "words": past.words, "at": past.at}
    _replace(plan_file.with_name(PAST_NAME),
             json.dumps(told, ensure_ascii=False, indent=0).encode("utf-8"))
