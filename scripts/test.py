"""All checks, in the order in which they fail fastest; stops at the first that fails.

`python3 scripts/test.py [arguments for pytest]`: style, types, import rules, then the tests.
"""

from __future__ import annotations

import subprocess
import sys
import time
from typing import TYPE_CHECKING

import setup_env

if TYPE_CHECKING:
    from pathlib import Path


def steps(python: Path, pytest_arguments: list[str]) -> list[tuple[str, list[str]]]:
    """(name, command) of every step, in order. Two workers, one file to one worker.

    A file's costly fixtures (a built wheel, a whole run) are then made once.
    """
    own_split = any(a.startswith(("-n", "--numprocesses", "--pdb")) for a in pytest_arguments)
    workers = [] if own_split else ["-n", "2", "--dist", "loadfile"]
    program = str(python)
    return [
        ("style (ruff)", [program, "-m", "ruff", "check", "."]),
        ("types (mypy)", [program, "-m", "mypy"]),
        ("import rules (import-linter)", [str(setup_env.venv_program("lint-imports"))]),
        ("tests (pytest)", [program, "-m", "pytest", *workers, *pytest_arguments]),
    ]


def run_steps(todo: list[tuple[str, list[str]]]) -> int:
    """Runs the steps one by one. Returns the exit code of the first that fails, else 0."""
    passed = []
    for number, (name, command) in enumerate(todo, start=1):
        print(f"\n--- {number} of {len(todo)}: {name}", flush=True)
        begun = time.monotonic()
        done = subprocess.run(
            command, check=False, cwd=str(setup_env.ROOT), env=setup_env.child_environment()
        )
        seconds = time.monotonic() - begun
        if done.returncode:
            left = [later for later, _ in todo[number:]]
            code = done.returncode
            print(f"\nFAILED after {seconds:.0f} s: {name}, exit code {code}", flush=True)
            if left:
                print(f"not run: {', '.join(left)}", flush=True)
            return code
        passed.append(f"{name} {seconds:.0f} s")
    print(f"\nAll steps are good: {'; '.join(passed)}", flush=True)
    return 0


def main(arguments: list[str] | None = None) -> int:
    """Returns the exit code: 2 where set-up is not possible, else that of the steps."""
    try:
        python = setup_env.ready(["test"])
    except setup_env.SetupError as problem:
        print(f"\nThe tests cannot start: {problem}", file=sys.stderr)
        return 2
    return run_steps(steps(python, list(sys.argv[1:] if arguments is None else arguments)))


if __name__ == "__main__":
    sys.exit(main())
