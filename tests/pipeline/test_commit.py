"""A run is committed whole or not at all."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from filelock import FileLock

from vrx.errors import ExportError
from vrx.pipeline.commit import CURRENT, MANIFEST, commit, scratch_folder


def write_run(output: Path, run: str, text: str) -> Path:
    with scratch_folder(output) as scratch:
        (scratch / MANIFEST).write_text(text, encoding="utf-8")
        return commit(scratch, output=output, run=run)


def current(output: Path) -> str:
    return str(json.loads((output / CURRENT).read_text(encoding="utf-8"))["run"])


def test_the_pointer_names_the_new_run_and_the_old_one_stays(tmp_path: Path) -> None:
    first = write_run(tmp_path, "run-a", "1")
    second = write_run(tmp_path, "run-b", "2")
    assert current(tmp_path) == "run-b"
    assert (first / MANIFEST).read_text(encoding="utf-8") == "1"
    assert (second / MANIFEST).read_text(encoding="utf-8") == "2"
    assert [p.name for p in tmp_path.glob(".writing-*")] == []


def test_the_same_run_again_keeps_its_folder(tmp_path: Path) -> None:
    assert write_run(tmp_path, "run-a", "1") == write_run(tmp_path, "run-a", "1")
    assert len(list(tmp_path.glob("run-*"))) == 1


def test_a_changed_folder_is_never_overwritten(tmp_path: Path) -> None:
    first = write_run(tmp_path, "run-a", "1")
    (first / MANIFEST).write_text("edited by hand", encoding="utf-8")
    again = write_run(tmp_path, "run-a", "1")
    assert (first / MANIFEST).read_text(encoding="utf-8") == "edited by hand"
    assert again.name == "run-a-2"
    assert current(tmp_path) == "run-a-2"


def test_a_failure_leaves_the_earlier_run_current_and_no_scratch(tmp_path: Path) -> None:
    write_run(tmp_path, "run-a", "1")
    before = sorted(p.name for p in tmp_path.iterdir())

    def fail() -> None:
        with scratch_folder(tmp_path) as scratch:
            (scratch / "half").write_text("x", encoding="utf-8")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert sorted(p.name for p in tmp_path.iterdir()) == before
    assert current(tmp_path) == "run-a"


def test_a_second_writer_is_told_to_wait(tmp_path: Path) -> None:
    tmp_path.mkdir(exist_ok=True)
    with FileLock(tmp_path / ".lock"), pytest.raises(ExportError) as caught:
        write_run(tmp_path, "run-a", "1")
    assert caught.value.code == "export-locked"


def test_an_output_that_is_a_file_is_an_export_error(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    with pytest.raises(ExportError) as caught:
        write_run(plain / "output", "run-a", "1")
    assert caught.value.code == "export-write"


def test_a_killed_writer_leaves_the_earlier_run_and_the_next_one_cleans_up(tmp_path: Path) -> None:
    write_run(tmp_path, "run-a", "1")
    killed = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from vrx.pipeline.commit import scratch_folder\n"
        "with scratch_folder(Path(sys.argv[1])) as scratch:\n"
        "    (scratch / 'half').write_text('x')\n"
        "    os._exit(9)\n"
    )
    done = subprocess.run([sys.executable, "-c", killed, str(tmp_path)], check=False)
    assert done.returncode == 9
    assert current(tmp_path) == "run-a"
    assert len(list(tmp_path.glob(".writing-*"))) == 1
    write_run(tmp_path, "run-b", "2")
    assert list(tmp_path.glob(".writing-*")) == []
    assert current(tmp_path) == "run-b"
