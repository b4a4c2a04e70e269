from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name

Load = Callable[[str], ModuleType]


@pytest.fixture
def setup_env(script: Load) -> ModuleType:
    return script("setup_env")


@pytest.fixture
def project(root: Path) -> dict[str, Any]:
    return tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]


@pytest.fixture
def pins(root: Path) -> dict[str, Requirement]:
    text = (root / "scripts" / "constraints.txt").read_text(encoding="utf-8")
    found = [Requirement(line) for line in text.splitlines() if line and not line.startswith("#")]
    return {canonicalize_name(one.name): one for one in found}


@pytest.mark.parametrize("name", ["setup_env", "demo", "test"])
def test_python_3_8_can_read_the_script_and_so_print_its_message(root: Path, name: str) -> None:
    source = (root / "scripts" / f"{name}.py").read_text(encoding="utf-8")
    tree = ast.parse(source, feature_version=(3, 8))
    # Annotations such as `str | None` are fine in 3.8 only while they are never evaluated.
    assert any(isinstance(n, ast.ImportFrom) and n.module == "__future__" for n in tree.body)


def test_setup_needs_the_standard_library_only(root: Path) -> None:
    tree = ast.parse((root / "scripts" / "setup_env.py").read_text(encoding="utf-8"))
    names = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    names |= {n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    assert {name.partition(".")[0] for name in names} <= sys.stdlib_module_names
    # Nor does anything go through a shell: a path with spaces or quotes stays one argument.
    assert not [n for n in ast.walk(tree) if isinstance(n, ast.keyword) and n.arg == "shell"]


@pytest.mark.parametrize("version", [(3, 8, 18), (3, 10, 13), (3, 14, 0), (4, 0, 0)])
def test_a_python_that_does_not_fit_is_named(
    setup_env: ModuleType, version: tuple[int, int, int]
) -> None:
    with pytest.raises(setup_env.SetupError) as caught:
        setup_env.check_python(version)
    assert f"Python {version[0]}.{version[1]}" in str(caught.value)
    assert "3.11, 3.12 or 3.13" in str(caught.value)


def test_the_guard_and_pyproject_allow_the_same_pythons(
    setup_env: ModuleType, project: dict[str, Any]
) -> None:
    # PEP 440 version specifiers, read by the packaging library.
    allowed = SpecifierSet(project["requires-python"])
    for minor in range(8, 17):
        assert setup_env.fits(f"3.{minor}.1") == allowed.contains(f"3.{minor}.1")
    assert not setup_env.fits(None)


def test_debian_without_the_venv_module_gets_the_package_name(
    setup_env: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = setup_env.importlib.util.find_spec
    monkeypatch.setattr(
        setup_env.importlib.util, "find_spec",
        lambda name: None if name == "ensurepip" else real(name),
    )
    with pytest.raises(setup_env.SetupError, match=r"ensurepip.*\n.*python3-venv"):
        setup_env.check_venv_module()


@pytest.mark.parametrize(
    ("output", "words"),
    [
        ("Failed to establish a new connection: [Errno 111] Connection refused", "network"),
        ("[Errno -3] Temporary failure in name resolution", "network"),
        ("ERROR: No matching distribution found for rasterio==1.4.4", "ready-made package"),
        ("OSError: [Errno 28] No space left on device", "disk is full"),
        ("something else", "log"),
    ],
)
def test_the_hint_follows_what_pip_said(setup_env: ModuleType, output: str, words: str) -> None:
    assert words in setup_env.pip_hint(output)


def test_remarks_on_package_folders_and_retries_do_not_alarm(setup_env: ModuleType) -> None:
    text = "WARNING: Location 'file:///x' is ignored\nWARNING: Retrying (1)\nERROR: no\n"
    assert setup_env.last_lines(text).strip() == "ERROR: no"


def test_every_direct_dependency_is_pinned_inside_its_allowed_range(
    project: dict[str, Any], pins: dict[str, Requirement], setup_env: ModuleType
) -> None:
    asked = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    for requirement in map(Requirement, asked):
        pin = pins[canonicalize_name(requirement.name)]
        version = next(iter(pin.specifier)).version
        assert requirement.specifier.contains(version), requirement
    for names in setup_env.BARE_PACKAGES.values():
        assert set(names) <= set(pins)
    for pin in pins.values():
        assert re.fullmatch(r"==[\w.]+", str(pin.specifier)), pin


def test_what_is_installed_here_is_what_is_pinned(pins: dict[str, Requirement]) -> None:
    from importlib.metadata import distributions

    # vrx and pip are not pinned; anything else that vrx's environment holds must be.
    if not (Path(sys.prefix) / ".vrx-setup.json").is_file():
        pytest.skip("this Python was not set up by scripts/setup_env.py")
    wrong = []
    for found in distributions():
        name = canonicalize_name(found.metadata["Name"])
        if name in pins and not pins[name].specifier.contains(found.version):
            wrong.append(f"{name} {found.version}")
    assert wrong == []


def _small_project(at: Path) -> Path:
    (at / "scripts").mkdir(parents=True)
    for name in ("pyproject.toml", "scripts/constraints.txt", "scripts/setup_env.py"):
        (at / name).write_text(name, encoding="utf-8")
    return at


def test_the_stamp_vouches_only_for_the_same_files_python_and_extras(
    setup_env: ModuleType, tmp_path: Path
) -> None:
    root, venv = _small_project(tmp_path / "p"), tmp_path / "venv"
    venv.mkdir()

    def good(extras: list[str], version: str = "3.12.1") -> bool:
        return bool(setup_env.is_ready(extras, version, venv=venv, root=root))

    assert not good([])
    setup_env.write_stamp(["test"], "3.12.1", venv=venv, root=root)
    assert good([])
    assert good(["test"])
    assert not good(["test", "app"])
    assert not good(["test"], "3.13.0")
    for name in ("pyproject.toml", "scripts/constraints.txt", "scripts/setup_env.py"):
        before = (root / name).read_text(encoding="utf-8")
        (root / name).write_text(before + " ", encoding="utf-8")
        assert not good(["test"]), name
        (root / name).write_text(before, encoding="utf-8")
    assert good(["test"])
    (venv / ".vrx-setup.json").write_text("{", encoding="utf-8")
    assert not good([])


def test_a_set_up_cut_short_is_not_believed_and_extras_are_kept(
    setup_env: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    venv = tmp_path / "venv"
    (venv / "bin").mkdir(parents=True)
    (venv / "bin" / "python").symlink_to(sys.executable)
    version = setup_env.python_version(venv / "bin" / "python")
    monkeypatch.setattr(setup_env, "VENV", venv)
    monkeypatch.setattr(setup_env, "venv_program", lambda name: venv / "bin" / name)
    monkeypatch.setattr(setup_env, "pip_missing", lambda python: False)
    monkeypatch.setattr(setup_env, "is_ready", lambda extras, version: False)
    monkeypatch.setattr(setup_env, "stamped_extras", lambda: {"app"})
    (venv / ".vrx-setup.json").write_text("{}", encoding="utf-8")
    asked: list[set[str]] = []

    def fail(extras: set[str]) -> None:
        asked.append(extras)
        raise setup_env.SetupError("pip failed")

    monkeypatch.setattr(setup_env, "install", fail)
    with pytest.raises(setup_env.SetupError, match="pip failed"):
        setup_env.ready(["test"])
    assert asked == [{"app", "test"}]
    assert not (venv / ".vrx-setup.json").exists()
    assert version is not None


def test_a_folder_that_is_no_environment_is_left_alone(
    setup_env: ModuleType, tmp_path: Path
) -> None:
    precious = tmp_path / "venv" / "thesis.txt"
    precious.parent.mkdir()
    precious.write_text("years of work", encoding="utf-8")
    with pytest.raises(setup_env.SetupError, match="does not touch it"):
        setup_env.make_venv(tmp_path / "venv")
    assert precious.read_text(encoding="utf-8") == "years of work"


def test_an_environment_is_made_and_its_python_starts(
    setup_env: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Without pip (that is the slow part): the layout must be that of PEP 405.
    real = subprocess.run

    def without_pip(command: list[str], **options: Any) -> Any:
        assert command[1:3] == ["-m", "venv"]
        return real([*command[:3], "--without-pip", *command[3:]], **options)

    monkeypatch.setattr(setup_env.subprocess, "run", without_pip)
    venv = tmp_path / "a folder with spaces" / "venv"
    setup_env.make_venv(venv)
    monkeypatch.undo()
    assert (venv / "pyvenv.cfg").is_file()
    python = setup_env.venv_program("python", venv)
    assert setup_env.python_version(python) == ".".join(map(str, sys.version_info[:3]))
    assert setup_env.pip_missing(python)
    assert setup_env.python_version(venv / "bin" / "absent") is None


def test_windows_programs_lie_in_scripts(
    setup_env: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = Path("v")
    monkeypatch.setattr(setup_env.os, "name", "nt")
    found = setup_env.venv_program("vrx", place)
    monkeypatch.undo()
    assert found == place / "Scripts" / "vrx.exe"


def test_foreign_module_paths_do_not_reach_the_environment(
    setup_env: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", "/elsewhere")
    monkeypatch.setenv("PIP_USER", "1")
    env = setup_env.child_environment()
    assert "PYTHONPATH" not in env
    assert env["PIP_USER"] == "0"
    assert os.environ["PYTHONPATH"] == "/elsewhere"


def test_stamp_is_plain_json_with_what_was_installed(setup_env: ModuleType, tmp_path: Path) -> None:
    root = _small_project(tmp_path / "p")
    setup_env.write_stamp({"test", "app"}, "3.11.7", venv=tmp_path, root=root)
    stamp = json.loads((tmp_path / ".vrx-setup.json").read_text(encoding="utf-8"))
    assert stamp["extras"] == ["app", "test"]
    assert stamp["python"] == "3.11.7"
    assert not (tmp_path / ".vrx-setup.json.part").exists()
