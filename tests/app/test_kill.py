"""The app as a process: its link, its lock, and what is left when it is killed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest


@contextmanager
def _client(link: str) -> Iterator[httpx2.Client]:
    """A client that the link let in."""
    with httpx2.Client(base_url=link.split("/?", maxsplit=1)[0], timeout=60,
                      trust_env=False) as client:
        assert client.get("/?" + link.split("?")[1]).status_code == 303
        yield client


def _token(page: str) -> str:
    return page.split('data-token="')[1].split('"', maxsplit=1)[0]


def test_the_link_works_and_only_loopback_listens(empty: Path, tools) -> None:
    with tools.process(empty) as (made, link), _client(link) as client:
        assert link.startswith("http://127.0.0.1:")
        told = client.get("/files")
        assert "Start with your files" in told.text
        assert "server" not in told.headers
        port = int(link.split(":")[2].split("/")[0])
        listening = _listeners(made.pid, port)
        assert listening == {"0100007F"}


def _listeners(pid: int, port: int) -> set[str]:
    """Addresses (hexadecimal, as /proc tells them) that listen on a port."""
    if not Path(f"/proc/{pid}/net/tcp").exists():
        pytest.skip("no /proc here that tells who listens")
    found = set()
    for name in ("tcp", "tcp6"):
        for line in Path(f"/proc/{pid}/net/{name}").read_text().splitlines()[1:]:
            cells = line.split()
            address, _, own = cells[1].partition(":")
            if int(own, 16) == port and cells[3] == "0A":
                found.add(address)
    return found


def test_a_second_app_on_a_folder_ends_with_words(empty: Path, tools) -> None:
    with tools.process(empty):
        done = subprocess.run(
            [sys.executable, "-m", "vrx", "app", str(empty), "--no-browser"], check=False,
            capture_output=True, text=True, timeout=60, cwd=tools.ROOT)
    assert done.returncode == 2
    assert "open in another vrx app" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_port_that_is_taken_is_told(empty: Path, tools) -> None:
    import socket

    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        done = subprocess.run(
            [sys.executable, "-m", "vrx", "app", str(empty), "--no-browser", "--port",
             str(held.getsockname()[1])], check=False, capture_output=True, text=True, timeout=60,
            cwd=tools.ROOT)
    assert done.returncode == 7
    assert "cannot be used" in done.stderr


def test_killed_in_the_middle_of_a_run_nothing_is_half_and_it_opens_again(
    kettle: Path, tools
) -> None:
    with tools.process(kettle) as (made, link), _client(link) as client:
        token = _token(client.get("/files").text)
        told = client.post("/hand-over/write", data={"token": token},
                           headers={"origin": link.split("/?")[0]})
        assert told.status_code == 303
        time.sleep(1.5)
        os.kill(made.pid, signal.SIGKILL)
        made.wait(20)
    current = kettle / "output" / "current.json"
    if current.exists():
        name = json.loads(current.read_text(encoding="utf-8"))["run"]
        assert (kettle / "output" / name / "manifest.json").is_file()
    with tools.process(kettle) as (_, link), _client(link) as client:
        page = client.get("/files").text
        assert "Kettle pivot" in page
        old = client.post("/files/take", data={"token": token},
                          headers={"origin": link.split("/?")[0], "x-vrx-parts": "{}"})
        assert old.status_code == 403
        assert old.json()["trouble"]["code"] == "app-token"


def test_answers_are_in_the_plan_at_once(kettle: Path, tools) -> None:
    (kettle / "plan.toml").unlink()
    with tools.process(kettle) as (made, link), _client(link) as client:
        own = {"origin": link.split("/?")[0], "x-vrx-parts": "{}"}
        token = _token(client.get("/files").text)
        told = client.post("/files/make", headers=own, data={
            "token": token, "boundary": "boundary.geojson", "samples": "soil.csv",
            "name": "Kettle"})
        assert told.status_code == 200, told.text
        told = client.post("/files/answer", headers=own, data={
            "token": token, "key": "field.season", "field.season": "2027"})
        assert told.status_code == 200, told.text
        os.kill(made.pid, signal.SIGKILL)
        made.wait(20)
    assert "season = 2027" in (kettle / "plan.toml").read_text(encoding="utf-8")


def test_without_its_libraries_the_app_names_the_extra(empty: Path, tools) -> None:
    code = ("import sys\n"
            "class Gone:\n"
            "    def find_spec(self, name, path=None, target=None):\n"
            "        if name.partition('.')[0] in {'starlette', 'uvicorn'}:\n"
            "            raise ModuleNotFoundError(name)\n"
            "import importlib.util as u\n"
            "real = u.find_spec\n"
            "gone = {'starlette', 'uvicorn'}\n"
            "u.find_spec = lambda n, p=None: None if n in gone else real(n, p)\n"
            "sys.meta_path.insert(0, Gone())\n"
            "sys.argv = ['vrx', 'app', sys.argv[1], '--no-browser']\n"
            "from vrx.cli import main\n"
            "main()\n")
    done = subprocess.run([sys.executable, "-c", code, str(empty)], check=False, timeout=60,
                          capture_output=True, text=True, cwd=tools.ROOT)
    assert done.returncode == 9
    assert "pip install 'vrx[app]'" in done.stderr
    assert "Traceback" not in done.stderr


def test_no_other_command_loads_the_libraries_of_the_app(tools) -> None:
    code = ("import sys, vrx.cli, vrx.pipeline, vrx.report, vrx.audit\n"
            "print(sorted(set(sys.modules) & {'starlette', 'uvicorn', 'python_multipart', "
            "'vrx.app'}))")
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True,
                          timeout=60, cwd=tools.ROOT)
    assert done.stdout.strip() == "[]"
