"""The house stays in order: sizes, public names, codes, words."""

from __future__ import annotations

import ast
import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted((ROOT / "vrx").rglob("*.py"))
ROOMS = sorted(path.parent.relative_to(ROOT) for path in ROOT.glob("vrx/*/__init__.py"))
NAMES = [str(path.relative_to(ROOT)) for path in SOURCES]


@pytest.mark.parametrize("path", SOURCES, ids=NAMES)
def test_no_file_or_function_outgrows_its_reader(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef) and node.end_lineno is not None:
            doc = node.body[0]
            first = doc.end_lineno if ast.get_docstring(node) and doc.end_lineno else node.lineno
            assert node.end_lineno - first <= 75, f"{path.name}:{node.name}"


@pytest.mark.parametrize("room", ROOMS, ids=str)
def test_public_names_exist_and_are_sorted(room: Path) -> None:
    module = importlib.import_module(".".join(room.parts))
    names = list(getattr(module, "__all__", []))
    assert len(names) == len(set(names))
    assert all(hasattr(module, name) for name in names)
    # Constants, then classes, then the rest, as ruff's RUF022 sorts them.
    assert names == sorted(names, key=lambda name: (not name.isupper(), name[:1].islower(), name))


def test_every_room_has_a_docstring_of_its_purpose() -> None:
    for room in ROOMS:
        text = (ROOT / room / "__init__.py").read_text(encoding="utf-8")
        assert ast.get_docstring(ast.parse(text)), room


def test_finding_and_error_codes_are_kebab_case() -> None:
    codes: set[str] = set()
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            if isinstance(node.func, ast.Name) and node.func.id in {"note", "warn", "stop"}:
                codes |= {
                    str(one.value) for one in node.args[:1] if isinstance(one, ast.Constant)
                }
            for keyword in node.keywords:
                if keyword.arg == "code" and isinstance(keyword.value, ast.Constant):
                    codes.add(str(keyword.value.value))
    codes.discard("")
    assert len(codes) > 30
    for code in codes:
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", code), code


def test_no_numbers_of_a_guide_hide_as_bare_floats_in_the_rule_kinds() -> None:
    # Published figures belong into the books' TOML; kinds hold shapes and unit factors only.
    allowed = {-1, 0, 1, 2, 3, 4, 12, 100, 0.5, 1e-9, 1e-12}
    tree = ast.parse((ROOT / "vrx" / "rules" / "kinds.py").read_text(encoding="utf-8"))
    found = {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, int | float)
        and not isinstance(node.value, bool)
    }
    assert found <= allowed
