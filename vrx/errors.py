"""One tree of errors: what a user can mend, and where.

    VrxError                         code, where, hint, findings         exit code
     |- InputError (ValueError)      a file, column, record or geometry      3
     |- PlanError (ValueError)       the plan file                           2
     |- RuleError (ValueError)       rule books, materials, their use        4
     |- ComputeError (ArithmeticError)   a surface or zones cannot be made   5
     |- PlanInfeasible (ValueError)  limits that no rate can meet            6
     |- ExportError (OSError)        a file cannot be written or verified    7
     |- AuditFailure (AssertionError)    exported files do not agree         8
     '- MissingExtra (ImportError)   an optional part is not installed       9

Exit code 1 is a bug: anything that is no `VrxError` keeps its traceback. A message names the file,
column or zone, the record, the value and the rule broken; `hint` says what to do next. `code` is
stable and is what programs match on, never the text. All pickle, so that they survive a worker
process.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, ClassVar

if TYPE_CHECKING:
    from collections.abc import Sequence

    from vrx.model.finding import Finding


def _shortened(text: str, *, most: int = 200) -> str:
    """A text without words beyond all measure, such as a cell that swallowed half a file."""
    if len(text) <= most:
        return text
    return re.sub(rf"\S{{{most},}}",
                  lambda word: f"{word[0][:60]}… ({len(word[0])} characters)", text)


class VrxError(Exception):
    """Base of everything that vrx raises on purpose; catch this one."""

    exit_code: ClassVar[int] = 1

    def __init__(
        self,
        message: str,
        *,
        code: str = "",
        where: str = "",
        hint: str = "",
        findings: Sequence[Finding] = (),
    ) -> None:
        message, hint = _shortened(message), _shortened(hint)
        super().__init__(message)
        self.message = message
        self.code = code
        self.where = _shortened(where, most=300)
        self.hint = hint
        self.findings = tuple(findings)

    def __str__(self) -> str:
        head = f"{self.where}: {self.message}" if self.where else self.message
        return f"{head}\n  -> {self.hint}" if self.hint else head

    def __reduce__(self) -> tuple[object, ...]:
        fields = {
            "code": self.code, "where": self.where, "hint": self.hint, "findings": self.findings,
        }
        return _rebuild, (type(self), self.message, fields)


def _rebuild(kind: type[VrxError], message: str, fields: dict[str, Any]) -> VrxError:
    return kind(message, **fields)


class InputError(VrxError, ValueError):
    """A user's file cannot be taken as it is."""

    exit_code = 3


class PlanError(VrxError, ValueError):
    """The plan file has an unknown key, a wrong value or a blank to fill in."""

    exit_code = 2


class RuleError(VrxError, ValueError):
    """A rule book or material list is wrong, or is asked for what it does not cover."""

    exit_code = 4


class ComputeError(VrxError, ArithmeticError):
    """A surface or a set of zones cannot be computed from what was given."""

    exit_code = 5


class PlanInfeasible(VrxError, ValueError):  # noqa: N818 - a state of the plan, not a fault of ours
    """No rate meets all limits; the message names the limit that binds."""

    exit_code = 6


class ExportError(VrxError, OSError):
    """A file could not be written, or did not read back equal; older files are intact."""

    exit_code = 7


class AuditFailure(VrxError, AssertionError):  # noqa: N818 - a verdict
    """Exported files do not agree with what they are compared to."""

    exit_code = 8


class MissingExtra(VrxError, ImportError):  # noqa: N818 - names what is missing
    """An optional part of vrx is not installed; the message prints the command."""

    exit_code = 9
