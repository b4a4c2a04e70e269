"""Coverage-guided fuzzing of the readers: `python scripts/fuzz/run.py SECONDS [TARGET ...]`.

Needs atheris (`pip install atheris`), which is no part of the test extra. Every target gets SECONDS
of its own, one after another. An exception that is no VrxError is a fault, and so is an input that
takes more than 5 s or a process of more than 2 GiB. Faults of one place count once; each is kept
with its traceback in the folder that is printed. The exit code is 1 if there is a fault, 2 without
atheris.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import re
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).resolve().parent
TIME_LIMIT_S = 5
MEMORY_LIMIT_MB = 2048


def _place(err: BaseException) -> str:
    """Where a fault comes from: its kind and the innermost line of vrx."""
    own = [f for f in traceback.extract_tb(err.__traceback__) if "vrx" in Path(f.filename).parts]
    at = own[-1] if own else None
    return f"{type(err).__name__} at {Path(at.filename).name}:{at.lineno}" if at else repr(err)


def _collecting(run: Callable[[bytes], None], faults: Path) -> Callable[[bytes], None]:
    """The target, with its faults written down so that one does not hide the next."""
    seen: set[str] = set()

    def one(data: bytes) -> None:
        try:
            run(data)
        except Exception as err:  # noqa: BLE001 - every kind is a fault to be told
            place = _place(err)
            if place not in seen:
                seen.add(place)
                name = hashlib.sha256(place.encode()).hexdigest()[:12]
                (faults / f"{name}.bin").write_bytes(data)
                (faults / f"{name}.txt").write_text(f"{place}\n{traceback.format_exc()}")

    return one


def _child(name: str, seconds: int, folder: Path) -> None:
    """Fuzz one target in this process; ends the process."""
    import atheris

    sys.path[:0] = [str(HERE), str(HERE.parents[1])]
    with atheris.instrument_imports(include=["vrx"]):
        import targets
    target = targets.TARGETS[name]
    corpus = folder / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(target.seeds()):
        (corpus / f"seed-{number}").write_bytes(seed)
    atheris.Setup(
        [sys.argv[0], str(corpus), f"-max_total_time={seconds}", f"-timeout={TIME_LIMIT_S}",
         f"-rss_limit_mb={MEMORY_LIMIT_MB}", f"-max_len={target.most_bytes}", "-seed=1",
         # A whole part of a set is reached by an empty input too, which would take its place.
         "-keep_seed=1", "-len_control=0", "-reduce_inputs=0",
         f"-artifact_prefix={folder}/faults/"], _collecting(target.run, folder / "faults"))
    atheris.Fuzz()


def fuzz(name: str, seconds: int, folder: Path) -> tuple[int, list[str]]:
    """Executions of one target and its faults, by place."""
    own = folder / name
    (own / "faults").mkdir(parents=True)
    with (own / "log.txt").open("w") as log:
        done = subprocess.run(
            [sys.executable, str(HERE / "run.py"), str(seconds), name, "--child", str(own)],
            check=False, stdout=log, stderr=subprocess.STDOUT, timeout=seconds + 120)
    said = (own / "log.txt").read_text(errors="replace")
    counts = re.findall(r"Done (\d+) runs|^#(\d+)", said, re.MULTILINE)
    runs = max((int(a or b) for a, b in counts), default=0)
    faults = [text.read_text().splitlines()[0] for text in sorted((own / "faults").glob("*.txt"))]
    if done.returncode:
        why = re.findall(r"(?:ERROR: libFuzzer|SUMMARY): .*|^\w*Error: .*", said, re.MULTILINE)
        faults.append(why[0] if why else f"ended with code {done.returncode}, see log.txt")
    return runs, faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("seconds", type=int, help="for each target")
    parser.add_argument("target", nargs="*", help="all without a name")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed; nothing was fuzzed. Install it: pip install atheris")
        return 2
    if given.child:
        _child(given.target[0], given.seconds, given.child)
    sys.path[:0] = [str(HERE), str(HERE.parents[1])]
    import targets

    unknown = sorted(set(given.target) - set(targets.TARGETS))
    if unknown:
        parser.error(f"no target {unknown[0]!r}; there are {', '.join(targets.TARGETS)}")
    folder = Path(tempfile.mkdtemp(prefix="vrx-fuzz-"))
    bad = 0
    for name in given.target or targets.TARGETS:
        runs, faults = fuzz(name, given.seconds, folder)
        bad += len(faults)
        print(f"{name}: {runs} executions, {len(faults)} faults", *faults, sep="\n    ", flush=True)
    print(f"{bad} faults; inputs, tracebacks and logs in {folder}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
