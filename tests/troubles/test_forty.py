"""Every one of the forty cases from field support has a test of its own here."""

from __future__ import annotations

import ast
from pathlib import Path

HERE = Path(__file__).parent


def test_all_forty_cases_are_present_and_assert_something() -> None:
    found: dict[str, int] = {}
    for path in sorted(HERE.glob("test_*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_s"):
                case = node.name.split("_")[1]
                asked = sum(isinstance(one, ast.Assert) for one in ast.walk(node))
                found[case] = found.get(case, 0) + asked
    assert sorted(found) == [f"s{n:02d}" for n in range(1, 41)]
    assert min(found.values()) >= 2, found


def test_no_case_needs_a_folder_outside_the_project() -> None:
    for path in sorted(HERE.glob("*.py")):
        assert "parents[2]" not in path.read_text(encoding="utf-8") or path.name == "test_forty.py"
