"""A run on a bad day: no room, no right to write, files held open, long names, two runs at once.

A small tmpfs in a mount namespace of its own stands for a full disk and a read-only one; where a
system does not allow that, RLIMIT_FSIZE makes writes fail instead. Whatever happens the earlier run
stays current and whole (checked as the soak of killed runs does).
"""

from __future__ import annotations

import errno
import hashlib
import importlib.util
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from types import ModuleType

import pytest

from vrx.audit import audit_run
from vrx.errors import ExportError
from vrx.pipeline import run_field
from vrx.pipeline.commit import scratch_folder

ROOT = Path(__file__).resolve().parents[2]
_SPEC = importlib.util.spec_from_file_location("vrx_soak_kill", ROOT / "scripts" / "soak_kill.py")
assert _SPEC is not None
assert _SPEC.loader is not None
soak: ModuleType = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(soak)


def namespace_allowed() -> bool:
    """Whether a tmpfs can be mounted in a namespace of our own."""
    if shutil.which("unshare") is None or shutil.which("mount") is None:
        return False
    done = subprocess.run(
        ["unshare", "-Urm", "sh", "-c", "mount -t tmpfs -o size=64k none /mnt"],
        capture_output=True, check=False)
    return done.returncode == 0


MOUNTS = namespace_allowed()


@pytest.fixture(scope="session")
def run_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A field, run once, whose plan asks for every installed format and files of one product."""
    home = Path(shutil.copytree(soak.SAMPLE, tmp_path_factory.mktemp("once") / "bench",
                                ignore=shutil.ignore_patterns("output")))
    write_plan(home, 0)
    run_field(home)
    return home


@pytest.fixture
def field(run_once: Path, tmp_path: Path) -> Path:
    """A copy of the field that was run once."""
    return Path(shutil.copytree(run_once, tmp_path / "bench"))


def write_plan(home: Path, number: int) -> None:
    base = (soak.SAMPLE / "plan.toml").read_text(encoding="utf-8")
    (home / "plan.toml").write_text(
        soak.plan_text(base, soak.formats("all"), number), encoding="utf-8")


def current(home: Path) -> str:
    """The current run's name, after a look at all its files."""
    plans = {}
    base = (soak.SAMPLE / "plan.toml").read_text(encoding="utf-8")
    for number in range(4):
        text = soak.plan_text(base, soak.formats("all"), number)
        plans[hashlib.sha256(text.encode()).hexdigest()] = number
    soak.whole(home / "output", plans)
    return str(json.loads((home / "output" / "current.json").read_text(encoding="utf-8"))["run"])


RUN = """
import sys
from pathlib import Path
from vrx.errors import VrxError
from vrx.pipeline import run_field
from vrx.pipeline.commit import scratch_folder
{before}
try:
    run_field(Path(sys.argv[1]))
    print("done")
except VrxError as err:
    print("VrxError", err.code, "|", err.hint)
"""


HOLD = """
import sqlite3, sys
base = sqlite3.connect(sys.argv[1], isolation_level=None)
base.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.read()
"""


@pytest.mark.skipif(not MOUNTS, reason="no mount namespace here; the file size limit is tried")
@pytest.mark.parametrize("room_kib", [1, 40, 300, 700, 1100])
def test_a_full_disk_keeps_the_earlier_run(field: Path, room_kib: int, tmp_path: Path) -> None:
    first = current(field)
    used = sum(-(-path.stat().st_size // 4096) * 4 for path in field.rglob("*") if path.is_file())
    write_plan(field, 1)
    outer, copy = tmp_path / "disk", tmp_path / "after"
    outer.mkdir()
    script = (
        # Pages for folders and names count too.
        f"mount -t tmpfs -o size={used + 240}k none {outer} && cp -r {field} {outer}/ && "
        f"{sys.executable} - {outer}/bench <<'E'\n" + RUN.format(before=fill(room_kib)) +
        f"\nE\nrm -f {outer}/filler; cp -r {outer}/bench {copy}")
    done = subprocess.run(["unshare", "-Urm", "sh", "-c", script], capture_output=True, text=True,
                          check=False, env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert "VrxError export-" in done.stdout, done.stdout + done.stderr[-3000:]
    assert "Traceback" not in done.stderr
    assert current(copy) == first
    assert not list((copy / "output").glob(".writing-*"))
    assert len(list((copy / "output").glob("run-*"))) <= 2
    assert run_field(copy).folder.name != first
    assert current(copy) != first


def fill(room_kib: int) -> str:
    """Python that fills the disk of the field up to so many KiB."""
    return (
        "import os, shutil\n"
        "disk = Path(sys.argv[1]).parent\n"
        f"left = shutil.disk_usage(disk).free - {room_kib} * 1024\n"
        "(disk / 'filler').write_bytes(b'x' * max(left, 0))\n")


@pytest.mark.parametrize("limit", [300, 3_000, 60_000, 200_000])
def test_writes_that_fail_keep_the_earlier_run(field: Path, limit: int) -> None:
    resource = pytest.importorskip("resource", reason="no limits of file sizes on this system")
    assert resource.RLIMIT_FSIZE is not None
    first = current(field)
    write_plan(field, 1)
    before = ("import resource, signal\nsignal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
              f"resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))")
    done = subprocess.run([sys.executable, "-B", "-c", RUN.format(before=before), str(field)],
                          capture_output=True, text=True, check=False,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert "VrxError export-" in done.stdout, done.stdout + done.stderr[-3000:]
    assert current(field) == first
    assert not list((field / "output").glob(".writing-*"))


@pytest.mark.skipif(not MOUNTS and os.geteuid() == 0,
                    reason="no mount namespace here, and to root no folder is read-only")
def test_a_read_only_folder(field: Path, tmp_path: Path) -> None:
    first = current(field)
    write_plan(field, 1)
    if MOUNTS:
        disk = tmp_path / "disk"
        disk.mkdir()
        script = (
            f"mount -t tmpfs none {disk} && cp -r {field} {disk}/ && mount -o remount,ro {disk} && "
            f"{sys.executable} -B - {disk}/bench <<'E'\n" + RUN.format(before="") + "\nE\n")
        done = subprocess.run(["unshare", "-Urm", "sh", "-c", script], capture_output=True,
                              text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)})
        told = done.stdout
    else:
        (field / "output").chmod(0o500)
        with pytest.raises(ExportError) as caught:
            run_field(field)
        told = f"VrxError {caught.value.code} | {caught.value.hint}"
        (field / "output").chmod(0o700)
    assert "VrxError export-write" in told, told
    assert "writable" in told.partition("|")[2]
    assert current(field) == first


def test_a_file_that_others_have_open_and_locked(field: Path) -> None:
    first = field / "output" / current(field)
    package = first / "field.gpkg"
    before = package.read_bytes()
    write_plan(field, 1)
    # Somebody looks at the earlier run in another program, and holds a lock on its GeoPackage.
    holder = subprocess.Popen(
        [sys.executable, "-c",
         HOLD, str(package)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == "held"
        second = run_field(field).folder
    finally:
        holder.communicate()
    assert second != first
    assert current(field) == second.name
    assert package.read_bytes() == before
    with closing(sqlite3.connect(package)) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize("at", ["folder", "pointer"])
def test_a_rename_that_another_program_forbids(
    field: Path, at: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # What Windows says where a file of the folder is open elsewhere.
    first = current(field)
    write_plan(field, 1)
    good = os.replace

    def busy(source: object, target: object) -> None:
        pointer = Path(str(target)).name == "current.json"
        folder = ".writing-" in str(source) and "/output/run-" in str(target)
        if (folder and at == "folder") or (pointer and at == "pointer"):
            raise PermissionError(errno.EACCES, "Permission denied", str(source))
        good(source, target)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "replace", busy)
    with pytest.raises(ExportError) as caught:
        run_field(field)
    monkeypatch.undo()
    assert caught.value.code == "export-write"
    assert "open in another program" in caught.value.hint
    assert current(field) == first
    assert run_field(field).folder.name != first
    assert not list((field / "output").glob(".writing-*"))


def test_a_path_that_is_too_long(field: Path) -> None:
    most = os.pathconf("/", "PC_PATH_MAX") if hasattr(os, "pathconf") else 0
    if not 0 < most < 100_000:
        pytest.skip("this system names no longest path")
    # The folder can still be made, files deep in the run cannot.
    deep = field.parent
    while len(str(deep)) < most - 380:
        deep = deep / ("d" * min(200, most - 180 - len(str(deep))))
    deep = deep / ("e" * (most - 100 - len(str(deep))))
    deep.mkdir(parents=True)
    home = deep / "b"
    shutil.copytree(field, home, ignore=shutil.ignore_patterns("output"))
    with pytest.raises(ExportError) as caught:
        run_field(home)
    assert caught.value.code == "export-write"
    assert not (home / "output" / "current.json").exists()
    assert [one.name for one in (home / "output").iterdir() if one.name != ".lock"] == []


@pytest.mark.parametrize("name", ["Große Wiese Ñandú", "北の畑", "a/b\\\\c: <d> & 'e' | f?*",
                                  "x" * 300, "con", "😀 field"])
def test_names_of_fields(field: Path, name: str) -> None:
    plan = field / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('name = "Bench forty"', f'name = "{name}"'), encoding="utf-8")
    result = run_field(field)
    assert result.manifest["field"]["name"] == name.replace("\\\\", "\\")
    for path in result.folder.rglob("*"):
        assert re.fullmatch(r"[A-Za-z0-9_.]+", path.name), path
    assert audit_run(folder=result.folder).agrees
    assert (result.folder / "machine" / "P1_KCL" / "NOTES.TXT").read_bytes().isascii()


def test_two_runs_at_once(field: Path) -> None:
    write_plan(field, 1)
    both = [subprocess.Popen(
        [sys.executable, "-c", RUN.format(before=""), str(field)], stdout=subprocess.PIPE,
        text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}) for _ in range(3)]
    told = sorted(one.communicate()[0].strip().partition(" |")[0] for one in both)
    assert "done" in told
    assert set(told) <= {"done", "VrxError export-locked"}
    current(field)
    assert len(list((field / "output").glob("run-*"))) == 2
    assert not list((field / "output").glob(".writing-*"))


def test_a_second_run_while_one_writes_is_told_to_wait(
    field: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from vrx import export

    good: Callable[..., object] = export.write_formats
    seen = []

    def slow(**more: object) -> object:
        with pytest.raises(ExportError) as caught, scratch_folder(field / "output"):
            pass
        seen.append(caught.value.code)
        return good(**more)

    monkeypatch.setattr(export, "write_formats", slow)
    run_field(field)
    assert seen == ["export-locked"]
    assert current(field)
