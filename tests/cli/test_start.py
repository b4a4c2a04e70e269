"""The command line starts light and explains itself."""

from __future__ import annotations

import subprocess
import sys

import pytest

from vrx.cli import COMMANDS

HEAVY = ("numpy", "scipy", "shapely", "pandas", "geopandas", "pydantic", "rich")


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "vrx", *arguments], capture_output=True, text=True, check=False
    )


def test_help_lists_every_command_and_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom vrx.cli import cli\n"
        "try:\n    cli(['--help'])\nexcept SystemExit:\n    pass\n"
        f"print('LOADED', [m for m in {HEAVY!r} if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    for name in COMMANDS:
        assert f"  {name} " in done.stdout
    assert done.stdout.rstrip().endswith("LOADED []")


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_has_a_help_of_its_own(name: str) -> None:
    done = run(name, "--help")
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) > 5


def test_an_unknown_command_is_exit_code_2() -> None:
    done = run("rum")
    assert done.returncode == 2
    assert "rum" in done.stderr


def test_a_missing_plan_is_a_message_not_a_traceback(tmp_path: object) -> None:
    done = run("run", str(tmp_path))
    assert done.returncode == 2
    assert "there is no plan file here" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="descriptors are POSIX")
def test_what_a_library_prints_does_not_reach_the_answer() -> None:
    # HiGHS prints into descriptor 1 on some mixed-integer programs, whatever its options say.
    code = (
        "import os, sys\nimport vrx.cli\n"
        "def talk(**_):\n    os.write(1, b'noise ')\n    print('answer')\n    sys.exit(0)\n"
        "vrx.cli.cli = talk\nvrx.cli.main()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "answer\n"
    assert done.stderr == ""
