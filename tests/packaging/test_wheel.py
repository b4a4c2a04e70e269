"""The built wheel holds all of vrx and nothing else, and works from a folder far from the project.

Wheel format: PyPA specification "Binary distribution format" (PEP 427); metadata: PyPA "Core
metadata"; entry points: PyPA "Entry points".
"""

from __future__ import annotations

import base64
import configparser
import csv
import hashlib
import io
import os
import shutil
import subprocess
import sys
import zipfile
from email.message import Message
from email.parser import Parser
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "vrx"
NEVER_SHIPPED = {".pyc", ".pyo"}

IMPORT_ALL = """
import importlib, pathlib, pkgutil, sys
import vrx
home = pathlib.Path(vrx.__file__).resolve().parent
assert home.is_relative_to(pathlib.Path(sys.argv[1]).resolve()), home
names = [m.name for m in pkgutil.walk_packages([str(home)], "vrx.") if m.name != "vrx.__main__"]
for name in names:
    importlib.import_module(name)
print(len(names), vrx.__version__)
"""


def _run(command: list[str], **options: object) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False, **options)  # type: ignore[call-overload]
    assert done.returncode == 0, f"{command}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
    return str(done.stdout)


def _shipped_sources() -> set[str]:
    """Every file of the package folder, as a path in the wheel."""
    return {
        path.relative_to(ROOT).as_posix()
        for path in PACKAGE.rglob("*")
        if path.is_file() and path.suffix not in NEVER_SHIPPED and "__pycache__" not in path.parts
    }


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    # A copy is built: setuptools leaves a build folder beside pyproject, and what an old one holds
    # would get into the wheel.
    source = tmp_path_factory.mktemp("source")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source / name)
    hidden = shutil.ignore_patterns("__pycache__", "*.egg-info", ".*")
    for name in ("vrx", "tests", "scripts", "sample_geo"):
        shutil.copytree(ROOT / name, source / name, ignore=hidden)
    target = tmp_path_factory.mktemp("wheel")
    _run([sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(target),
          str(source)], cwd=source)
    (made,) = target.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def names(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as pack:
        assert pack.testzip() is None
        return set(pack.namelist())


@pytest.fixture(scope="module")
def metadata(wheel: Path) -> Message:
    return Parser().parsestr(_in_dist_info(wheel, "METADATA"))


def _in_dist_info(wheel: Path, name: str) -> str:
    with zipfile.ZipFile(wheel) as pack:
        (path,) = [n for n in pack.namelist() if n.endswith(f".dist-info/{name}")]
        return pack.read(path).decode()


def test_the_wheel_is_pure_python(wheel: Path) -> None:
    assert wheel.name.endswith("-py3-none-any.whl")
    text = Parser().parsestr(_in_dist_info(wheel, "WHEEL"))
    assert text["Root-Is-Purelib"] == "true"
    assert text["Tag"] == "py3-none-any"


def test_every_file_of_the_package_is_inside(names: set[str]) -> None:
    sources = _shipped_sources()
    assert len(sources) > 50
    assert sorted(sources - names) == []


def test_every_package_folder_is_a_package_and_inside(names: set[str]) -> None:
    folders = {PurePosixPath(name).parent for name in _shipped_sources() if name.endswith(".py")}
    rooms = {"audit", "cli", "export", "formats", "geo", "intake", "model", "pipeline", "plan",
             "prescription", "products", "report", "rules", "surfaces", "zones"}
    assert {f"vrx/{room}" for room in rooms} <= {str(folder) for folder in folders}
    missing = [str(f) for f in sorted(folders) if f"{f}/__init__.py" not in names]
    assert missing == []


def test_rule_books_materials_templates_and_type_marker_are_inside(names: set[str]) -> None:
    assert "vrx/py.typed" in names  # PEP 561
    assert "vrx/products/materials.toml" in names
    books = [n for n in names if n.startswith("vrx/rules/books/") and n.endswith(".toml")]
    assert "vrx/rules/books/tri-state-2020.toml" in books
    assert "vrx/rules/books/sulfur-balance.toml" in books
    assert [n for n in names if n.startswith("vrx/report/templates/")]
    assert "vrx/report/templates/pdf.typ" in names


def test_nothing_else_is_inside(names: set[str]) -> None:
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"vrx"}
    inside = {name for name in names if name.startswith("vrx/")}
    assert sorted(inside - _shipped_sources()) == []
    assert not [n for n in inside if "test" in PurePosixPath(n).name.lower().split("_")]


def test_the_record_lists_every_file_with_its_true_hash(wheel: Path, names: set[str]) -> None:
    rows = {row[0]: row[1] for row in csv.reader(io.StringIO(_in_dist_info(wheel, "RECORD")))}
    assert set(rows) == names
    with zipfile.ZipFile(wheel) as pack:
        for name, digest in rows.items():
            if name.endswith(".dist-info/RECORD"):
                continue
            raw = hashlib.sha256(pack.read(name)).digest()
            # PEP 427: urlsafe base64 without the padding.
            assert digest == "sha256=" + base64.urlsafe_b64encode(raw).decode().rstrip("="), name


def test_metadata_says_python_licence_and_command(wheel: Path, metadata: Message) -> None:
    assert metadata["Name"] == "vrx"
    assert set(metadata["Requires-Python"].split(",")) == {">=3.11", "<3.14"}
    assert metadata["License-Expression"] == "MIT"  # SPDX, PEP 639
    assert metadata["License-File"] == "LICENSE"
    points = configparser.ConfigParser()
    points.read_string(_in_dist_info(wheel, "entry_points.txt"))
    assert points["console_scripts"]["vrx"] == "vrx.cli:main"


def test_no_test_tool_is_required_to_run(metadata: Message) -> None:
    needed = [line for line in metadata.get_all("Requires-Dist", []) if "extra ==" not in line]
    assert len(needed) > 10
    for tool in ("pytest", "hypothesis", "ruff", "mypy", "pykrige", "scikit-gstat"):
        assert not [line for line in needed if line.lower().startswith(tool)]


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("installed")
    _run([sys.executable, "-m", "pip", "install", "--no-deps", "--no-index", "--quiet",
          "--disable-pip-version-check", "--target", str(target), str(wheel)])
    return target


def _beside(installed: Path) -> dict[str, str]:
    # PYTHONPATH goes before the editable install of the project that is under test.
    return {**os.environ, "PYTHONPATH": str(installed), "PYTHONDONTWRITEBYTECODE": "1"}


def test_every_module_imports_from_the_installed_wheel(installed: Path, tmp_path: Path) -> None:
    said = _run([sys.executable, "-c", IMPORT_ALL, str(installed)], cwd=tmp_path,
                env=_beside(installed))
    modules, version = said.split()
    assert int(modules) > 40
    assert f'"{version}"' in (PACKAGE / "__init__.py").read_text(encoding="utf-8")


def test_the_installed_command_finds_its_rule_books(installed: Path, tmp_path: Path) -> None:
    said = _run([sys.executable, "-m", "vrx", "books"], cwd=tmp_path, env=_beside(installed))
    assert "tri-state-2020" in said
