"""Every code of findings and errors that the sources of vrx can emit, read from their syntax.

A code is what stands in the place of a `code` parameter: of `note`, `warn`, `stop`, `Finding`, of
the error classes, and of every function of ours that has a parameter of that name (it passes the
code on, perhaps behind a prefix, as the audit's ledger does). Such functions are found, not listed.
What the syntax alone cannot tell stands in `CODES_OF`, `WORDS_OF`
and `IDS_OF`, one line for each place.
"""

from __future__ import annotations

import ast
import itertools
import re
import sys
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
KEBAB = re.compile(r"[a-z0-9]+(-[a-z0-9]+)+")
SEVERITIES = ("stop", "warn", "note", "error")

# Codes that travel through a variable: (file, expression) -> functions whose kebab-case constants
# are the codes, as "file:function".
_READINGS = tuple(f"vrx/intake/_inside.py:{name}" for name in (
    "_variants", "_of_degrees", "_other_degrees", "_of_systems"))
CODES_OF: dict[tuple[str, str], tuple[str, ...]] = {
    ("vrx/intake/_inside.py", "code"): _READINGS,
    ("vrx/intake/_inside.py", "one.code"): _READINGS,
    ("vrx/plan/load.py", "_code(problems)"): ("vrx/plan/load.py:_code",),
    ("vrx/products/equipment.py", "_code(line.item)"): ("vrx/products/equipment.py:_code",),
    ("vrx/products/limiting.py", "code"): ("vrx/products/limiting.py:limit",),
}
# Words inside an f-string: (file, expression) -> every value that it can have.
_NUTRIENTS = ("k2o", "s")
WORDS_OF: dict[tuple[str, str], tuple[str, ...]] = {
    ("vrx/pipeline/season.py", "nutrient.lower()"): _NUTRIENTS,
    ("vrx/prescription/rates.py", "name.lower()"): _NUTRIENTS,
    ("vrx/products/telling.py", "one.serves.lower()"): _NUTRIENTS,
    ("vrx/products/telling.py", "nutrient.lower()"): _NUTRIENTS,
}
# Words that are the ids of a list in a TOML file: (file, expression) -> "file:table".
IDS_OF: dict[tuple[str, str], str] = {
    ("vrx/intake/yields/clean.py", "one.id"): "vrx/intake/yields/filters.toml:filter",
}

Function = ast.FunctionDef | ast.AsyncFunctionDef
Scope = list[dict[str, ast.expr]]


@dataclass(frozen=True, slots=True)
class Emission:
    """One place where a code can be emitted; `severity` is "" where the syntax does not tell."""

    code: str
    severity: str
    room: str
    path: str
    line: int


@dataclass(frozen=True, slots=True)
class Teller:
    """A function with a `code` parameter: its place in a call, what it makes of it, severity."""

    position: int
    template: str
    severity: str
    default: str


def _name(node: ast.expr) -> str:
    if isinstance(node, ast.Attribute):
        return node.attr
    return node.id if isinstance(node, ast.Name) else ""


def _calls(node: ast.AST) -> Iterator[ast.Call]:
    return (one for one in ast.walk(node) if isinstance(one, ast.Call))


def _error_classes(tree: ast.Module) -> set[str]:
    return {one.name for one in tree.body if isinstance(one, ast.ClassDef)}


def _severities_in(call: ast.Call) -> list[str]:
    """The severities written out in a call, both of `Severity.WARN if … else Severity.NOTE`."""
    found = []
    for node in [*call.args, *(word.value for word in call.keywords)]:
        either = [node.body, node.orelse] if isinstance(node, ast.IfExp) else [node]
        found += [one.attr.lower() for one in either
                  if isinstance(one, ast.Attribute) and _name(one.value) == "Severity"]
    return found


class Sources:
    """The syntax trees of the package, and the functions through which codes are told."""

    def __init__(self, root: Path = ROOT) -> None:
        self.root = root
        self.trees = {
            path.relative_to(root).as_posix(): ast.parse(path.read_text("utf-8"), str(path))
            for path in sorted((root / "vrx").rglob("*.py"))
        }
        self.errors = _error_classes(self.trees["vrx/errors.py"])
        self.tellers: dict[str, Teller] = {
            "Finding": Teller(position=99, template="{}", severity="", default="")
        }
        for error in self.errors:
            self.tellers[error] = Teller(position=99, template="{}", severity="error", default="")
        defined = [
            node for path, tree in self.trees.items() if path != "vrx/errors.py"
            for node in ast.walk(tree) if isinstance(node, Function) and _has_code(node)
        ]
        for _ in range(3):  # a teller may call another one that is defined later
            for node in defined:
                made = self._teller(node)
                if made is not None:
                    self.tellers[node.name] = made

    def _teller(self, node: Function) -> Teller | None:
        """What a function with a `code` parameter tells; None if it hands the code to no teller."""
        names = [arg.arg for arg in node.args.args]
        position = names.index("code") - (names[:1] == ["self"]) if "code" in names else 99
        template, severity, tells = "{}", "", False
        for call in _calls(node):
            inner = self.tellers.get(_name(call.func))
            passed = None if inner is None else _passed(call, inner)
            if inner is None or passed is None or "code" not in [
                one.id for one in ast.walk(passed) if isinstance(one, ast.Name)
            ]:
                continue
            tells = True
            severity = inner.severity or "".join(_severities_in(call)[:1]) or severity
            if isinstance(passed, ast.JoinedStr):
                template = "".join(
                    str(part.value) if isinstance(part, ast.Constant) else "{}"
                    for part in passed.values
                )
        defaults = dict(zip(reversed(names), reversed(node.args.defaults), strict=False))
        given = defaults.get("code")
        default = str(given.value) if isinstance(given, ast.Constant) else ""
        made = Teller(position=position, template=template, severity=severity, default=default)
        return made if tells else None

    def emissions(self) -> list[Emission]:
        """Every place, in order of file and line. Raises `ValueError` listing what is unclear."""
        found: list[Emission] = []
        unclear: list[str] = []
        for path, tree in self.trees.items():
            if path in ("vrx/model/finding.py", "vrx/errors.py"):
                continue
            reader = _Reader(path, tree, self)
            found += reader.found
            unclear += reader.unclear
        if unclear:
            raise ValueError(
                "these codes cannot be told from the syntax:\n  " + "\n  ".join(unclear)
                + "\nwrite the code as a literal, or add a line to CODES_OF or WORDS_OF in "
                "scripts/finding_codes.py"
            )
        return found

    def ids(self, place: str) -> list[str]:
        """The ids of a list of tables in a TOML file given as "file:table"."""
        path, _, table = place.partition(":")
        with (self.root / path).open("rb") as file:
            return [str(entry["id"]) for entry in tomllib.load(file)[table]]

    def constants(self, place: str) -> list[str]:
        """The kebab-case constants of a function given as "file:function"."""
        path, _, wanted = place.partition(":")
        for node in ast.walk(self.trees[path]):
            if isinstance(node, Function) and node.name == wanted:
                return sorted({
                    one.value for one in ast.walk(node)
                    if isinstance(one, ast.Constant) and isinstance(one.value, str)
                    and KEBAB.fullmatch(one.value)
                })
        raise ValueError(f"CODES_OF in scripts/finding_codes.py names {place}, which is gone")


def _has_code(node: Function) -> bool:
    return any(arg.arg == "code" for arg in [*node.args.args, *node.args.kwonlyargs])


def _passed(call: ast.Call, teller: Teller) -> ast.expr | None:
    for word in call.keywords:
        if word.arg == "code":
            return word.value
    return call.args[teller.position] if len(call.args) > teller.position else None


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an expression stands: its function and what local names are bound to."""

    function: Function | None
    scope: Scope
    line: int

    def is_parameter(self, name: str) -> bool:
        if self.function is None:
            return False
        args = self.function.args
        return name in [arg.arg for arg in [*args.args, *args.kwonlyargs]]


class _Reader:
    """One file, function by function."""

    def __init__(self, path: str, tree: ast.Module, sources: Sources) -> None:
        self.path, self.sources = path, sources
        parts = path.removesuffix(".py").split("/")
        self.room = parts[1]
        self.found: list[Emission] = []
        self.unclear: list[str] = []
        self._walk(tree, None)

    def _walk(self, node: ast.AST, function: Function | None) -> None:
        if isinstance(node, Function):
            function = node
        if isinstance(node, ast.Call):
            self._call(node, function)
        for child in ast.iter_child_nodes(node):
            self._walk(child, function)

    def _call(self, call: ast.Call, function: Function | None) -> None:
        if isinstance(call.func, ast.Attribute) and _name(call.func.value) == "warnings":
            return
        scope = [] if function is None else _bindings(function)
        for teller, bound in self._tellers(call.func, scope):
            passed = _passed(call, teller)
            codes = [teller.default] if passed is None else self._codes(
                passed, _Place(function, bound, call.lineno))
            severities = [teller.severity] if teller.severity else _severities_in(call) or [""]
            self.found += [
                Emission(teller.template.format(code), severity, self.room, self.path, call.lineno)
                for code in codes if code for severity in severities
            ]

    def _tellers(self, func: ast.expr, scope: Scope) -> list[tuple[Teller, Scope]]:
        """The tellers of a call, each with the local names that go with it.

        Several for `tell = warn if … else note`, and one for each row of a loop over tellers.
        """
        name, known = _name(func), self.sources.tellers
        found = []
        for row in scope if isinstance(func, ast.Name) else []:
            value = row.get(name)
            either = [value.body, value.orelse] if isinstance(value, ast.IfExp) else [value]
            others = [one for one in scope if one is row or not set(one) & set(row)]
            found += [(known[_name(one)], others) for one in either
                      if one is not None and _name(one) in known]
        return found or ([(known[name], scope)] if name in known else [])

    def _codes(self, node: ast.expr, place: _Place) -> list[str]:
        if self._passed_on(node, place):
            return []
        key = (self.path, ast.unparse(node))
        if key in CODES_OF:
            return [one for source in CODES_OF[key] for one in self.sources.constants(source)]
        if isinstance(node, ast.Constant):
            return [str(node.value)] if node.value else []
        either: list[ast.expr] = []
        if isinstance(node, ast.IfExp):
            either = [node.body, node.orelse]
        elif isinstance(node, ast.BoolOp):
            either = node.values
        elif isinstance(node, ast.Name):
            either = [row[node.id] for row in place.scope if node.id in row]
        found = [code for one in either for code in self._codes(one, place)]
        if isinstance(node, ast.JoinedStr):
            pieces = [self._words(part, place) for part in node.values]
            found = ["".join(choice) for choice in itertools.product(*pieces)]
        if not either and not found:
            self.unclear.append(f"{self.path}:{place.line}: {ast.unparse(node)}")
        return found

    @staticmethod
    def _passed_on(node: ast.expr, place: _Place) -> bool:
        """Whether a code only travels: a parameter, whose callers are read, or another's code."""
        if isinstance(node, ast.JoinedStr):  # its prefix stands in the teller's template
            names = [_name(p.value) for p in node.values if isinstance(p, ast.FormattedValue)]
            return "code" in names and place.is_parameter("code")
        if isinstance(node, ast.Name):
            return place.is_parameter(node.id)
        return isinstance(node, ast.Attribute) and node.attr == "code"

    def _words(self, part: ast.expr, place: _Place) -> list[str]:
        if isinstance(part, ast.Constant):
            return [str(part.value)]
        if not isinstance(part, ast.FormattedValue):
            return []
        key = (self.path, ast.unparse(part.value))
        if key in WORDS_OF:
            return list(WORDS_OF[key])
        if key in IDS_OF:
            return self.sources.ids(IDS_OF[key])
        values = [row[_name(part.value)] for row in place.scope if _name(part.value) in row]
        return [str(one.value) for one in values if isinstance(one, ast.Constant)]


def _bindings(function: Function) -> Scope:
    """What local names are bound to: one row for an assignment, one for each turn of a loop.

    Only loops over tuples that are written out, there or in a variable of the function.
    """
    rows: Scope = []
    for node in ast.walk(function):
        if isinstance(node, ast.Assign):
            rows += [row for target in node.targets if (row := _pairs(target, node.value))]
    for node in ast.walk(function):
        if not isinstance(node, ast.For):
            continue
        over = [node.iter]
        if isinstance(node.iter, ast.Name):
            over = [row[node.iter.id] for row in rows if node.iter.id in row]
        rows += [row for one in over if isinstance(one, ast.Tuple | ast.List)
                 for turn in one.elts if (row := _pairs(node.target, turn))]
    return rows


def _pairs(target: ast.expr, value: ast.expr) -> dict[str, ast.expr]:
    """Names to expressions of `a, b = 1, 2` and the like."""
    if isinstance(target, ast.Name):
        return {target.id: value}
    found: dict[str, ast.expr] = {}
    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        for inner, part in zip(target.elts, value.elts, strict=False):
            found |= _pairs(inner, part)
    return found


def emitted() -> dict[str, list[Emission]]:
    """By code, in alphabetical order, every place that can emit it."""
    found: dict[str, list[Emission]] = {}
    for one in Sources().emissions():
        found.setdefault(one.code, []).append(one)
    return dict(sorted(found.items()))


def look_alikes(codes: Iterable[str], root: Path = ROOT) -> list[str]:
    """Constants that begin like a code and are none: "file:line: text"."""
    known = set(codes)
    families = {code.partition("-")[0] for code in known}
    found = []
    for path, tree in Sources(root).trees.items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.Constant):
                continue
            text = node.value
            if (isinstance(text, str) and KEBAB.fullmatch(text) and text not in known
                    and text.partition("-")[0] in families):
                found.append(f"{path}:{node.lineno}: {text}")
    return found


if __name__ == "__main__":
    for code, places in emitted().items():
        words = "/".join(sorted({one.severity or "?" for one in places}))
        at = ", ".join(f"{one.path}:{one.line}" for one in places)
        sys.stdout.write(f"{code:<40} {words:<12} {at}\n")
