"""The main job on the sample field: set up, run, audit, and say where the page lies.

`python3 scripts/demo.py` copies sample_geo/kettle to demo_output/kettle (git ignores it), so the
sample stays clean. `vrx run` prints the order; nothing is computed here.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path

import setup_env

SAMPLE = setup_env.ROOT / "sample_geo" / "kettle"
FOLDER = setup_env.ROOT / "demo_output" / "kettle"
COPY_LIST = ".demo-copy.json"


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of a field's files by their path in its folder, without the output of runs."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
        and path.name != COPY_LIST
        and path.relative_to(folder).parts[0] != "output"
    }


def untouched(folder: Path) -> bool:
    """Whether the folder holds just what the last demo copied, its output aside."""
    try:
        copied = json.loads((folder / COPY_LIST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    # Lock and cache files of vrx start with a dot; anything else new is the user's work.
    now = {name: value for name, value in hashes(folder).items() if not name.startswith(".")}
    return bool(now == copied)


def put_aside(folder: Path) -> Path:
    """Renames a folder to the next free name; returns the new path."""
    number = 1
    while folder.with_name(f"{folder.name}-kept-{number}").exists():
        number += 1
    kept = folder.with_name(f"{folder.name}-kept-{number}")
    folder.rename(kept)
    return kept


def fresh_copy(sample: Path = SAMPLE, folder: Path = FOLDER) -> None:
    """A new copy of the sample. A folder in which somebody worked is kept under another name."""
    if folder.exists():
        if untouched(folder):
            shutil.rmtree(folder)
        else:
            say(f"{folder} holds work of yours: kept as {put_aside(folder)}")
    folder.parent.mkdir(parents=True, exist_ok=True)
    shutil.copytree(sample, folder)
    (folder / COPY_LIST).write_text(json.dumps(hashes(folder), indent=1) + "\n", encoding="utf-8")


def page_of(folder: Path = FOLDER) -> Path | None:
    """The page of the current run, as output/current.json names it; None where there is none."""
    output = folder / "output"
    try:
        run = json.loads((output / "current.json").read_text(encoding="utf-8"))["run"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    page = output / str(run) / "page.html"
    return page if page.is_file() else None


def shown(path: Path) -> str:
    """A path as a person types it from the project's folder."""
    try:
        return path.relative_to(setup_env.ROOT).as_posix()
    except ValueError:
        return str(path)


def say(text: str) -> None:
    """Talk goes to stderr; stdout belongs to what vrx prints."""
    print(f"[demo] {text}", file=sys.stderr, flush=True)


def main() -> int:
    """Returns the exit code: that of the first vrx command that failed, 0 where all is well."""
    try:
        setup_env.ready()
    except setup_env.SetupError as problem:
        print(f"\nThe demo cannot start: {problem}", file=sys.stderr)
        return 2
    fresh_copy()
    vrx = str(setup_env.venv_program("vrx"))
    for verb in ("run", "audit"):
        say(f"vrx {verb} {shown(FOLDER)}")
        done = subprocess.run(
            [vrx, verb, shown(FOLDER)], check=False, cwd=str(setup_env.ROOT),
            env=setup_env.child_environment(),
        )
        if done.returncode:
            say(f"vrx {verb} ended with exit code {done.returncode}; its words above say why")
            return done.returncode
    page = page_of()
    if page is None:
        say(f"no page was found under {shown(FOLDER / 'output')}: please report this")
        return 1
    print(f"\nThe page: {shown(page)}\n  {page.as_uri()}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
