"""Awkward inputs × every reader of users' files: a right read, or a refusal that helps, in time.

A refusal has a code of the catalogue, says where and what to do next; nothing is written beside
the user's files, nobody on the network is called, and no pipe or device is waited for.
"""

from __future__ import annotations

import errno
import math
import os
import resource
import signal
import socket
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import hostile_awkward as awkward
import pytest
import wholes
from readers import READERS, Reader

from vrx.errors import VrxError
from vrx.formats.catalogue import catalogue
from vrx.intake import _files

LIMIT_S = 20  # no hang; a loaded machine is several times slower than an idle one
EVERY = [(name, suffix) for name, reader in READERS.items() for suffix in reader.wholes()]
# Every reader once and every suffix once.
ONCE = sorted({**{suffix: (name, suffix) for name, suffix in reversed(EVERY)},
               **{name: (name, suffix) for name, suffix in reversed(EVERY)}}.values())
LINE_BYTES = 50 << 20
CODES = set(catalogue().codes)
Row = Callable[[bytes, str], bytes | None]


class TooLong(BaseException):
    """A reader took more than its time; no reader can catch it."""


@pytest.fixture(scope="module", autouse=True)
def bounded() -> Iterator[None]:
    """What reads without end fails by memory here, before the machine does."""
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (8 << 30, hard))
    yield
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the field of all readers lies, apart from the awkward files."""
    folder = tmp_path_factory.mktemp("home")
    for name, suffix in EVERY:
        put = tmp_path_factory.mktemp("warm")
        READERS[name].read(whole(put, name, suffix), folder, suffix)
    return folder


def whole(folder: Path, name: str, suffix: str, stem: str = "a", ending: str | None = None) -> Path:
    """The whole file of a reader, with its kin, under this stem and ending."""
    reader = READERS[name]
    return put(folder, reader, stem, reader.wholes()[suffix], suffix, ending)


def put(  # noqa: PLR0917 - as the readers' own `place`
    folder: Path, reader: Reader, stem: str, data: bytes, suffix: str, ending: str | None = None
) -> Path:
    for kin, content in (reader.kin[suffix]() if suffix in reader.kin else {}).items():
        if kin != suffix:
            own = kin if ending is None else kin.upper()
            (folder / f"{stem}{own}").write_bytes(content)
    return reader.place(folder, stem, data, suffix if ending is None else ending)


def listing(folder: Path) -> dict[str, tuple[int, int]]:
    """Every file and folder below, with size and time of change."""
    found = {}
    for at, folders, files in os.walk(folder):
        for one in (*folders, *files):
            told = os.lstat(os.path.join(at, one))
            found[os.path.join(at, one)] = (told.st_size, told.st_mtime_ns)
    return found


def outcome(name: str, path: Path, home: Path, suffix: str, beside: Path | None = None) -> Any:
    """What a reader gives, or the `VrxError` it raises; whatever else is a failure."""
    before = listing(beside) if beside is not None else {}

    def late(*_: object) -> None:
        raise TooLong(f"{name} {path}")

    old = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, LIMIT_S)
    try:
        got = READERS[name].read(path, home, suffix)
    except VrxError as err:
        got = err
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)
    assert beside is None or listing(beside) == before
    if isinstance(got, VrxError):
        helpful(got)
    return got


def helpful(err: VrxError) -> None:
    assert err.code in CODES, err.code
    assert err.where or (all(one.where for one in err.findings) and err.findings), err
    assert err.hint or (all(one.todo for one in err.findings) and err.findings), err
    assert len(str(err)) < 4000
    assert str(err)


def trial(bad: list[str], label: object, *given: Any) -> Any:
    """`outcome`, with a fault written down so that it does not hide the next; then None."""
    try:
        return outcome(*given)
    except (Exception, TooLong) as err:  # noqa: BLE001 - every kind is a fault to be told
        frames = traceback.extract_tb(err.__traceback__)
        at = next((f for f in reversed(frames) if "/vrx/" in f.filename), frames[-1])
        bad.append(f"{str(label)[-60:]}: {type(err).__name__} at {at.filename}:{at.lineno}: "
                   f"{str(err)[:200]}")
        return None


def refused(name: str, got: Any) -> bool:
    """Whether it was refused, or told by a reader that puts damage into its result."""
    tells = READERS[name].tells
    return isinstance(got, VrxError) or (tells is not None and tells(got))


def finite(figure: object) -> bool:
    return not isinstance(figure, float) or math.isfinite(figure)


def ids(value: object) -> str | None:
    return value if isinstance(value, str) else None


@pytest.mark.parametrize(("name", "suffix"), EVERY, ids=ids)
def test_contents(name: str, suffix: str, home: Path, tmp_path: Path) -> None:
    reader = READERS[name]
    data = reader.wholes()[suffix]
    want = reader.figure(reader.read(whole(home, name, suffix, "whole"), home, suffix))
    bad: list[str] = []
    for kind, rows in (("nothing", awkward.NOTHING), ("same", awkward.SAME),
                       ("either", awkward.EITHER)):
        for number, (row, make) in enumerate(rows.items()):
            content = make(data, suffix)
            if content is None or content == data:
                continue
            folder = tmp_path / f"{kind}{number}"
            folder.mkdir()
            path = put(folder, reader, "a", content, suffix)
            got = trial(bad, row, name, path, home, suffix, folder)
            if got is None or refused(name, got):
                continue
            figure = reader.figure(got)
            fine = {"nothing": False, "same": figure == want, "either": finite(figure)}[kind]
            if not fine:
                bad.append(f"{row}: read as {figure!r}")
    assert not bad


@pytest.mark.parametrize(("name", "suffix"), EVERY, ids=ids)
def test_names_and_folders(
    *, name: str, suffix: str, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = READERS[name]
    want = reader.figure(reader.read(whole(home, name, suffix, "whole"), home, suffix))
    paths = []
    # All names where a library takes the path itself; where vrx reads the bytes, every fifth.
    step = 1 if suffix in {".gpkg", ".tif"} or name.startswith("audit") else 5
    for number, stem in enumerate(awkward.NAMES[::step]):
        folder = tmp_path / f"n{number}"
        folder.mkdir()
        paths.append(whole(folder, name, suffix, stem))
    for number, above in enumerate(awkward.FOLDERS[::step]):
        folder = tmp_path / f"f{number}" / above
        folder.mkdir(parents=True)
        paths.append(whole(folder, name, suffix))
    paths += [tmp_path / "f0" / ".." / paths[0].parent.name / paths[0].name,
              Path(os.path.relpath(paths[0], tmp_path))]
    linked = tmp_path / f"link{paths[0].suffix}"
    if suffix not in reader.kin:
        linked.symlink_to(paths[0])
        paths.append(linked)
        longest = awkward.longest(suffix) if reader.place.__name__ == "placed" else "n" * 255
        paths.append(whole(tmp_path, name, suffix, longest))
    if reader.place.__name__ == "placed":
        upper = tmp_path / "upper"
        upper.mkdir()
        paths.append(whole(upper, name, suffix, "A", suffix.upper()))
    monkeypatch.chdir(tmp_path)
    bad: list[str] = []
    for path in paths:
        got = trial(bad, path, name, path, home, suffix, path.parent)
        figure = got if got is None or isinstance(got, VrxError) else reader.figure(got)
        if got is not None and figure != want:
            bad.append(f"{path.name}: {figure}")
    # A name that is no UTF-8, and a file without suffix, may be refused.
    for number, other in enumerate((awkward.not_text(), "none")):
        folder = tmp_path / f"other-{number}"
        folder.mkdir()
        bare = other == "none" and reader.place.__name__ == "placed"
        path = whole(folder, name, suffix, other, "" if bare else None)
        got = trial(bad, other, name, path, home, suffix, folder)
        if not (got is None or refused(name, got) or reader.figure(got) == want):
            bad.append(f"{other!r}: read as {reader.figure(got)!r}")
    assert not bad


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    """A port on this machine that nobody may call."""
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        server.setblocking(False)
        yield server
        with pytest.raises(BlockingIOError):
            server.accept()


@pytest.mark.parametrize(("name", "suffix"), EVERY, ids=ids)
def test_paths_that_are_no_file(
    *, name: str, suffix: str, home: Path, tmp_path: Path, listener: socket.socket,
    monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "there"
    folder.mkdir()
    zipped = tmp_path / "a.zip"
    zipped.write_bytes(wholes.zipped({f"a{suffix}": READERS[name].wholes()[suffix]}))
    facts = {"file": zipped, "folder": folder, "suffix": suffix,
             "port": listener.getsockname()[1]}
    paths = [Path(told.format(**facts)) for told in awkward.NOWHERE]
    (folder / f"empty{suffix}").mkdir()
    (folder / f"dangling{suffix}").symlink_to(folder / "nobody")
    (folder / f"loop{suffix}").symlink_to(folder / f"loop{suffix}")
    (folder / f"full{suffix}").symlink_to("/dev/full")
    (folder / f"null{suffix}").symlink_to("/dev/null")
    os.mkfifo(folder / f"pipe{suffix}")
    with socket.socket(socket.AF_UNIX) as local:
        monkeypatch.chdir(folder)
        local.bind(f"s{suffix}")
        paths += [folder / f"{stem}{suffix}" for stem in (
            "empty", "dangling", "loop", "full", "null", "pipe", "s")]
        paths += [Path("/dev/tty"), Path("/proc/self/mem"), Path("/"), Path(), Path("..")]
        bad: list[str] = []
        for path in paths:
            got = trial(bad, path, name, path, home, suffix, folder)
            if got is not None and not isinstance(got, VrxError):
                bad.append(f"{str(path)[-60:]}: read")
    assert not bad


@pytest.mark.parametrize(("name", "suffix"), ONCE, ids=ids)
def test_one_line_of_50_mb(name: str, suffix: str, home: Path, tmp_path: Path,
                           line: Path) -> None:
    reader = READERS[name]
    path = put(tmp_path, reader, "a", b"", suffix)
    target = {".BIN": path / "GRD00007.BIN", ".XML": path / "TASKDATA.XML",
              ".TLX": path / "TLG00001.xml", ".TLB": path / "TLG00001.bin"}.get(suffix, path)
    target.unlink()
    os.link(line, target)
    assert refused(name, outcome(name, path, home, suffix, tmp_path))


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.getbasetemp() / "line.bin"
    path.write_bytes(b"x" * LINE_BYTES)
    return path


@pytest.mark.parametrize(("name", "suffix"), EVERY, ids=ids)
def test_no_permission(
    *, name: str, suffix: str, home: Path, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    closed = tmp_path / "closed"
    closed.mkdir()
    inside = whole(closed, name, suffix)
    path = whole(tmp_path, name, suffix)
    own = {".BIN": path / "GRD00007.BIN", ".XML": path / "TASKDATA.XML"}.get(suffix, path)
    own.chmod(0)
    closed.chmod(0)
    # Nothing is closed to root: read as somebody else.
    root = os.geteuid() == 0
    for above in tmp_path.parents:
        if root and not above.stat().st_mode & 0o001 and above.stat().st_uid == 0:
            above.chmod(above.stat().st_mode | 0o001)
    home.chmod(0o777)
    for one in home.iterdir():
        one.chmod(0o666)
    if root:
        os.seteuid(65534)
    try:
        got = [outcome(name, one, home, suffix) for one in (path, inside)]
    finally:
        if root:
            os.seteuid(0)
        closed.chmod(0o700)
    assert all(refused(name, one) for one in got)
    for one in got:
        told = f"{one} {one.findings}" if isinstance(one, VrxError) else str(one)
        assert "permission" in told.lower() or "no such" in told or "not exist" in told, told


@pytest.mark.parametrize(("name", "suffix"), EVERY, ids=ids)
def test_a_file_that_goes_while_it_is_read(
    *, name: str, suffix: str, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = whole(tmp_path, name, suffix)
    looked = Path.stat
    gone: list[Path] = []

    def go(self: Path, **given: Any) -> os.stat_result:
        told = looked(self, **given)
        if not gone and self.is_relative_to(tmp_path) and not os.path.isdir(self):
            gone.append(self)
            os.unlink(self)
        return told

    monkeypatch.setattr(Path, "stat", go)
    got = outcome(name, path, home, suffix)
    monkeypatch.undo()
    assert gone
    assert isinstance(got, VrxError) or refused(name, got), got


def test_a_disk_that_fails(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(self: Path, *_: object, **__: object) -> bytes:
        raise OSError(errno.EIO, "Input/output error", str(self))

    paths = {(name, suffix): whole(tmp_path, name, suffix, f"{name}{suffix[1:]}")
             for name, suffix in EVERY}
    for one in ("read_bytes", "read_text", "open"):
        monkeypatch.setattr(Path, one, fail)
    for (name, suffix), path in paths.items():
        got = outcome(name, path, home, suffix)
        plain_path = suffix in {".gpkg", ".tif", ".zip", ".kmz"}  # opened by a library
        assert plain_path or refused(name, got), (name, suffix)
    assert _files.MOST_FILE_BYTES
