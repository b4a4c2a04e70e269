from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

Load = Callable[[str], ModuleType]


@pytest.fixture
def demo(script: Load) -> ModuleType:
    return script("demo")


@pytest.fixture
def sample(tmp_path: Path) -> Path:
    folder = tmp_path / "sample"
    folder.mkdir()
    (folder / "plan.toml").write_text("schema = 1\n", encoding="utf-8")
    (folder / "soil.csv").write_text("a\n", encoding="utf-8")
    return folder


def test_the_demo_starts_afresh_when_nobody_worked_in_its_folder(
    demo: ModuleType, sample: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "out" / "kettle"
    demo.fresh_copy(sample, folder)
    (folder / "output" / "run-1").mkdir(parents=True)
    (folder / ".lock").write_text("", encoding="utf-8")
    demo.fresh_copy(sample, folder)
    assert sorted(p.name for p in folder.parent.iterdir()) == ["kettle"]
    assert not (folder / "output").exists()
    assert (folder / "plan.toml").read_text(encoding="utf-8") == "schema = 1\n"


@pytest.mark.parametrize("name", ["plan.toml", "edits.jsonl", "edits/zones.json"])
def test_the_demo_never_loses_what_somebody_changed(
    demo: ModuleType, sample: Path, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "out" / "kettle"
    for turn in (1, 2):
        demo.fresh_copy(sample, folder)
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(f"mine {turn}\n", encoding="utf-8")
    demo.fresh_copy(sample, folder)
    kept = [folder.parent / f"kettle-kept-{turn}" / name for turn in (1, 2)]
    assert [k.read_text(encoding="utf-8") for k in kept] == ["mine 1\n", "mine 2\n"]
    assert "kettle-kept-2" in capsys.readouterr().err


def test_the_page_is_that_of_the_current_run(demo: ModuleType, tmp_path: Path) -> None:
    output = tmp_path / "output"
    assert demo.page_of(tmp_path) is None
    for run in ("run-a", "run-b"):
        (output / run).mkdir(parents=True)
        (output / run / "page.html").write_text("<p>", encoding="utf-8")
    (output / "current.json").write_text(json.dumps({"run": "run-b"}), encoding="utf-8")
    assert demo.page_of(tmp_path) == output / "run-b" / "page.html"
    (output / "run-b" / "page.html").unlink()
    assert demo.page_of(tmp_path) is None


def test_the_demo_ends_with_the_code_of_the_command_that_failed(
    demo: ModuleType, sample: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    called: list[str] = []

    def run(command: list[str], **_: object) -> subprocess.CompletedProcess[bytes]:
        called.append(command[1])
        return subprocess.CompletedProcess(command, 3 if command[1] == "audit" else 0)

    monkeypatch.setattr(demo, "FOLDER", tmp_path / "out" / "kettle")
    monkeypatch.setattr(demo, "fresh_copy", lambda: None)
    monkeypatch.setattr(demo.setup_env, "ready", lambda: Path(sys.executable))
    monkeypatch.setattr(demo.subprocess, "run", run)
    assert demo.main() == 3
    assert called == ["run", "audit"]


def test_set_up_problems_end_in_words_and_code_2(
    demo: ModuleType, script: Load, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def stop(*_: object) -> Path:
        raise demo.setup_env.SetupError("no way to the package index")

    test_script = script("test")
    monkeypatch.setattr(demo.setup_env, "ready", stop)
    assert demo.main() == 2
    assert test_script.setup_env is demo.setup_env
    assert test_script.main([]) == 2
    assert capsys.readouterr().err.count("no way to the package index") == 2


def test_steps_run_in_order_and_pytest_gets_the_extra_arguments(script: Load) -> None:
    steps = script("test").steps(Path("python"), ["-k", "wheel"])
    assert [command[2] if command[0] == "python" else "lint-imports" for _, command in steps] == [
        "ruff", "mypy", "lint-imports", "pytest",
    ]
    assert steps[-1][1][-2:] == ["-k", "wheel"]
    assert "-n" in steps[-1][1]
    alone = script("test").steps(Path("python"), ["-n0"])
    assert alone[-1][1].count("-n") == 0


def test_the_first_failing_step_ends_the_run_and_is_named(
    script: Load, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    ran = tmp_path / "ran"
    good = [sys.executable, "-c", "print('fine')"]
    bad = [sys.executable, "-c", "import sys; print('why it failed'); sys.exit(5)"]
    late = [sys.executable, "-c", f"open({str(ran)!r}, 'w')"]
    module = script("test")
    assert module.run_steps([("one", good), ("two", bad), ("three", late)]) == 5
    out = capfd.readouterr().out
    assert "why it failed" in out
    assert "two, exit code 5" in out
    assert "not run: three" in out
    assert not ran.exists()
    assert module.run_steps([("one", good)]) == 0
    assert "All steps are good" in capfd.readouterr().out


def test_the_bash_entry_can_be_read_by_bash_and_started(root: Path) -> None:
    entry = root / ".ci" / "run"
    assert entry.stat().st_mode & 0o111
    subprocess.run(["bash", "-n", str(entry)], check=True)
    text = entry.read_text(encoding="utf-8")
    assert "scripts/test.py" in text
    assert text.startswith("#!/usr/bin/env bash\n")
