"""Connections that never say what they want, job records that somebody changed, troubles of others.

Outside facts: RFC 9110 and RFC 9112 on messages; that half a request holds a connection for as long
as a server waits is an old way to keep others out.
"""

from __future__ import annotations

import json
import socket
import threading
import time
from pathlib import Path

import pytest


async def _answer(scope, receive, send) -> None:
    await receive()
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"here"})


@pytest.fixture
def impatient():
    """A port served as the app is, where a head must be whole within 0.4 s."""
    import uvicorn

    from vrx.app.patience import Patience, config_of

    class Quick(Patience):
        wait_head_s = 0.4

    with socket.create_server(("127.0.0.1", 0)) as made:
        server = uvicorn.Server(config_of(_answer, http=Quick))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [made]}, daemon=True)
        thread.start()
        yield made.getsockname()[1]
        server.should_exit = True
        thread.join(10)


def _ended(one: socket.socket, *, trickle: bytes = b"", within_s: float = 5.0) -> bool:
    one.settimeout(0.1)
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        try:
            if trickle:
                one.sendall(trickle)
            if one.recv(4096) == b"":
                return True
        except TimeoutError:
            continue
        except OSError:
            return True
    return False


@pytest.mark.parametrize("begun", [b"", b"GET / HTTP/1.1\r\nHo",
                                   b"GET / HTTP/1.1\r\nHost: a\r\n\r\nGET / HTTP/1.1\r\nX: "])
def test_a_head_that_is_never_whole_ends_its_connection(impatient, begun):
    with socket.create_connection(("127.0.0.1", impatient)) as one:
        one.sendall(begun)
        assert _ended(one, trickle=b"a" if begun else b"")


def test_one_that_asks_in_time_is_answered_again_and_again(impatient):
    with socket.create_connection(("127.0.0.1", impatient)) as one:
        one.settimeout(5)
        for _ in range(4):
            one.sendall(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n")
            got = b""
            while not got.endswith(b"0\r\n\r\n"):
                got += one.recv(4096)
            assert b"here" in got
            time.sleep(0.15)


_FILE = {"path": "page.html", "format": "page", "bytes": 4, "sha256": "0"}


@pytest.mark.parametrize("record", [
    [], None, 5, {"files": 5}, {"files": {"path": 1}}, {"files": [{**_FILE, "bytes": "NaN"}]},
    {"files": [{**_FILE, "bytes": None}]}, {"files": [{**_FILE, "format": ["<b>"]}]},
    {"field": [], "files": [_FILE]}, {"field": {"season": {"a": [1]}}, "files": [_FILE]},
    {"files": [{**_FILE, "path": "a\u0000b"}, {**_FILE, "path": "x" * 5000}]},
    {"inputs": 5, "plan": 5, "files": [_FILE]}, {"inputs": [{"path": {"a": 1}}], "files": []},
    {"edits": [1], "plan": {"path": "\u0000"}, "inputs": [None], "files": [_FILE]},
    {"files": [{**_FILE, "path": "../../plan.toml"}]},
    {"files": [{**_FILE, "path": "<script>alert(1)</script>.html"}]},
])
def test_a_changed_job_record_breaks_no_page(kettle: Path, tools, record):
    run = kettle / "output" / "run-0123456789ab"
    run.mkdir(parents=True)
    (run / "page.html").write_text("page")
    (run / "manifest.json").write_text(json.dumps(record))
    (kettle / "output" / "current.json").write_text(json.dumps({"run": run.name}))
    (kettle / "plan.toml").write_text("")  # the step shows its runs without a plan as well
    with tools.open_desk(kettle) as desk:
        text = desk.ready("/hand-over")
        assert "made a mistake" not in text
        assert "<script>alert" not in text
        for path in (f"/hand-over/all/{run.name}.zip", f"/hand-over/file/{run.name}/page.html",
                     f"/hand-over/open/{run.name}/page.html"):
            assert desk.client.get(path).status_code in {200, 404}
        assert b"schema" not in desk.client.get(f"/hand-over/all/{run.name}.zip").content


def test_a_trouble_is_told_in_the_step_that_asked(small: Path, tools, monkeypatch):
    from vrx.errors import ExportError
    from vrx.pipeline.workbench import Workbench

    def full(self, progress):
        raise ExportError("no room", code="export-write", where="page.html")

    monkeypatch.setattr(Workbench, "run", full)
    with tools.open_desk(small) as desk:
        desk.ready("/hand-over")
        assert desk.post("/hand-over/write").status_code == 303
        assert "no room" in desk.ready("/hand-over")
        assert "no room" not in desk.ready("/files")
        assert "no room" not in desk.ready("/zones")
        assert "no room" in desk.ready("/hand-over")


def test_the_work_of_another_window_never_looks_like_a_plan_that_cannot_be_shown(
    small: Path, tools, monkeypatch,
):
    """Else a page that patches itself would load anew in the middle of an edit."""
    from vrx.app.session import Session, Task

    with tools.open_desk(small) as desk:
        desk.ready("/zones")
        known = Session.ensure

        def and_another_begins(self, stage, **more):
            ended = known(self, stage, patience_s=20, anew=more.get("anew", True))
            self.task = Task(name="live", words="", number=99)
            return ended

        monkeypatch.setattr(Session, "ensure", and_another_begins)
        told = desk.client.get("/zones?parts=1").json()
        assert (told["ready"], told["blocked"]) == (False, False)
        desk.session.task = None
        monkeypatch.undo()
        told = desk.client.get("/zones?parts=1").json()
        assert (told["ready"], told["blocked"]) == (True, False)
