"""Kill runs at random moments; whatever was killed, the run that current.json names must be whole.

    python scripts/soak_kill.py [--kills 300] [--seed 1] [--formats all|small] [--folder DIR]

A copy of an invented field is run over and over, each time with another price, so that every run
has a name and files of its own. Each run is a child process that is killed with SIGKILL: by the
clock anywhere in the run, by the clock while it writes, just before one of its own file operations
(counted by an audit hook), or just before one of the last of them, each in turn, where the run's
folder and the pointer are renamed. After each kill the pointer must lead to a folder of the files
of its job record and no others, byte for byte, made by one plan; the next run must not trip over
what was left. Prints one line of JSON and ends with 1 if anything was not whole. POSIX only.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import importlib.util
import json
import os
import random
import re
import select
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

SAMPLE = Path(__file__).resolve().parents[1] / "sample_geo" / "bench"
SMALL = ("shapefile", "geojson")
_WRITING = "writing"
# From the renaming of the run's folder on: rename, sync, record read, pointer written and synced,
# rename, sync, clearing up.
_LATE_EVENTS = 8
# What a run was at when it was killed, by what it had told.
_PHASES = {b"": "reading and working out", b"w": "writing files", b"wr": "renaming"}
_MOST_TRIES = 5
WAYS = ("clock, whole run", "clock, writing", "file operation", "late file operation")


class NotWholeError(AssertionError):
    """What the pointer names is not one whole run."""


def formats(asked: str) -> tuple[str, ...]:
    """The formats to write: two, or all that are installed."""
    from vrx.errors import MissingExtra
    from vrx.export import FORMATS, require_formats

    if asked == "small":
        return SMALL
    found = []
    for name in FORMATS:
        try:
            require_formats([name])
        except MissingExtra:
            continue
        found.append(name)
    return tuple(found)


def _prints() -> bool:
    """Whether the PDF can be written too."""
    return importlib.util.find_spec("typst") is not None


def plan_text(base: str, names: tuple[str, ...], number: int) -> str:
    """The plan with these formats and a price of its own."""
    text = re.sub(r"^formats = .*$", f"formats = {json.dumps(list(names))}\n"
                  f"one_product_per_file = true\npdf = {str(_prints()).lower()}", base,
                  flags=re.MULTILINE)
    return text.replace("usd = 540.0", f"usd = {540 + number}.0")


def whole(output: Path, plans: dict[str, int]) -> int:
    """The number of the plan that made the current run; raises `NotWholeError`.

    `plans` holds the SHA-256 of each plan file that was ever run.
    """
    pointer = json.loads((output / "current.json").read_text(encoding="utf-8"))
    folder = output / pointer["run"]
    data = (folder / "manifest.json").read_bytes()
    if hashlib.sha256(data).hexdigest() != pointer["manifest_sha256"]:
        raise NotWholeError("the job record is not the one that the pointer names")
    record = json.loads(data)
    listed = {one["path"]: one["sha256"] for one in record["files"]}
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    if there != {*listed, "manifest.json"}:
        raise NotWholeError(f"files differ from the record: {sorted(there ^ {*listed})}")
    for path, digest in listed.items():
        if hashlib.sha256((folder / path).read_bytes()).hexdigest() != digest:
            raise NotWholeError(f"{path} is not the file of the job record")
    if record["run"] != folder.name or record["run"] not in (folder / "page.html").read_text(
            encoding="utf-8"):
        raise NotWholeError("record, folder and page name different runs")
    if record["plan"]["sha256"] not in plans:
        raise NotWholeError("the current run was made by no plan that was run")
    strangers = [one.name for one in output.iterdir() if not re.fullmatch(
        r"run-[0-9a-f]{12}|current\.json|\.current\.json\.new|\.lock|\.writing-\d+", one.name)]
    if strangers:
        raise NotWholeError(f"left lying: {strangers}")
    return plans[record["plan"]["sha256"]]


def child(folder: Path, tell: int, *, die_at: int | None, die_late: int | None) -> None:
    """Run the field; tell when writing and renaming begin, and how many file operations it took.

    `die_at` counts them from there, `die_late` from the renaming of the run's folder.
    """
    from vrx.pipeline import run_field

    state: dict[str, int] = {"writing": 0, "events": 0, "late": -1}

    def hook(event: str, args: tuple[object, ...]) -> None:
        if not state["writing"] or event not in {
                "open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "shutil.rmtree"}:
            return
        if state["late"] >= 0 or (
                event == "os.rename" and Path(str(args[1])).name.startswith("run-")):
            if state["late"] < 0:
                os.write(tell, b"r")
            state["late"] += 1
        if state["events"] == die_at or state["late"] == die_late:
            os.kill(os.getpid(), signal.SIGKILL)
        state["events"] += 1

    sys.addaudithook(hook)

    def progress(words: str) -> None:
        if words.startswith(_WRITING):
            state["writing"] = 1
            os.write(tell, b"w")

    run_field(folder, progress=progress)
    os.write(tell, f"{state['events']}\n".encode())


def run_child(
    folder: Path, *, die_at: int | None = None, die_late: int | None = None,
    whole_after: float | None = None, writing_after: float | None = None,
) -> tuple[str, float, float, int]:
    """One run in a process of its own, killed as asked.

    Gives what it was at when it was killed ("" of one that ended by itself), seconds to the
    writing, seconds of writing, file operations.
    """
    hear, tell = os.pipe()
    begun = time.monotonic()
    pid = os.fork()
    if pid == 0:
        os.close(hear)
        # Whatever happens, the child never runs on into its parent's code.
        try:
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 2)
            child(folder, tell, die_at=die_at, die_late=die_late)
            os._exit(0)
        except BaseException as err:  # noqa: BLE001 - told to the parent by the exit code
            os.write(tell, f"!{type(err).__name__}: {err}\n".encode())
            os._exit(3)
    os.close(tell)
    heard, to_writing = b"", 0.0
    deadline = None if whole_after is None else begun + whole_after
    while True:
        left = None if deadline is None else max(deadline - time.monotonic(), 0.0)
        ready, _, _ = select.select([hear], [], [], left)
        if not ready:
            os.kill(pid, signal.SIGKILL)
            break
        data = os.read(hear, 4096)
        if not data:
            break
        if not heard and data.startswith(b"w"):
            to_writing = time.monotonic() - begun
            if writing_after is not None:
                deadline = time.monotonic() + writing_after
        heard += data
    os.close(hear)
    _, status = os.waitpid(pid, 0)
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) != 0:
        raise NotWholeError(f"a run after a kill failed: {heard.decode(errors='replace')}")
    ended = os.WIFEXITED(status)
    events = int(heard.lstrip(b"wr") or 0) if ended else 0
    # A run killed after its last word had done everything.
    phase = "" if ended else _PHASES.get(heard, "ending")
    return phase, to_writing, time.monotonic() - begun - to_writing, events


def when(  # noqa: PLR0917 - what the last runs took
    way: str, draw: random.Random, before: float, writing: float, events: int, number: int
) -> dict[str, Any]:
    """When the next run is to be killed, as `run_child` takes it."""
    if way == WAYS[0]:
        return {"whole_after": draw.uniform(0, before + writing)}
    if way == WAYS[1]:
        return {"writing_after": draw.uniform(0, writing)}
    if way == WAYS[2]:
        return {"die_at": draw.randrange(events)}
    return {"die_late": number // len(WAYS) % _LATE_EVENTS}


def soak(folder: Path, *, kills: int, seed: int, names: tuple[str, ...]) -> dict[str, object]:
    """Kill that many runs in a copy of the field below `folder`; raises `NotWholeError`."""
    # Loaded once here, so that children need not; nothing is opened before they are made.
    for module in ("vrx.pipeline", "pyogrio", "rasterio", "geopandas", "fiona"):
        importlib.import_module(module)
    field = folder / "bench"
    shutil.copytree(SAMPLE, field, ignore=shutil.ignore_patterns("output"))
    base = (field / "plan.toml").read_text(encoding="utf-8")
    draw = random.Random(seed)
    plans: dict[str, int] = {}

    def planned(number: int) -> None:
        data = plan_text(base, names, number).encode()
        (field / "plan.toml").write_bytes(data)
        plans[hashlib.sha256(data).hexdigest()] = number

    planned(0)
    _, before, writing, events = run_child(field)
    output = field / "output"
    current = whole(output, plans)
    told: Counter[str] = Counter()
    killed_at: Counter[str] = Counter()
    moved_by: Counter[str] = Counter()
    number = ended = 0
    # A run that ends before its kill is no kill: another is made instead.
    while sum(told.values()) < kills:
        number += 1
        if number > _MOST_TRIES * kills:
            raise NotWholeError("runs end before they can be killed")
        planned(number)
        way = WAYS[(sum(told.values()) + 1) % len(WAYS)]
        phase, *took = run_child(field, **when(way, draw, before, writing, events, number))
        now = whole(output, plans)
        if now not in {current, number}:
            raise NotWholeError(f"the pointer went from plan {current} to {now}")
        if phase:
            told[way] += 1
            killed_at[phase] += 1
            moved_by[way] += now == number
        else:
            # The machine is less busy than it was.
            before, writing = min(before, took[0]), min(writing, took[1])
            ended += 1
        current = now
    planned(number + 1)
    run_child(field)
    if whole(output, plans) != number + 1:
        raise NotWholeError("the last run, which nobody killed, is not current")
    left = [one.name for one in output.glob(".writing-*")]
    if left:
        raise NotWholeError(f"the last run did not clear up {left}")
    return {
        "kills": kills, "seed": seed, "formats": list(names), "by way": dict(told),
        "became current by way": dict(moved_by),
        "killed while": dict(killed_at), "killed runs that became current": moved_by.total(),
        "runs that ended before the kill, not counted": ended,
        "file operations of a run's writing": events,
        "seconds before writing": round(before, 2), "seconds of writing": round(writing, 2),
        "whole after every kill": True,
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--formats", choices=("all", "small"), default="all")
    parser.add_argument("--folder", type=Path, default=None)
    told = parser.parse_args()
    if not hasattr(os, "fork"):
        print("needs a system with fork and SIGKILL", file=sys.stderr)
        return 2
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="vrx-kill-", dir=told.folder) as folder:
        try:
            found = soak(Path(folder), kills=told.kills, seed=told.seed,
                         names=formats(told.formats))
        except NotWholeError as err:
            print(json.dumps({"whole after every kill": False, "because": str(err)}))
            return 1
    found["seconds"] = round(time.monotonic() - begun, 1)
    print(json.dumps(found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
