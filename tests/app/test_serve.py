"""The link of `vrx app` stands in no command line: a private file leads the browser to it.

Outside fact: on Linux `/proc/PID/cmdline` and `ps` show every user's command lines (proc(5)).
"""

from __future__ import annotations

import html
import importlib
import os
import re
import stat
import sys
from pathlib import Path

import pytest

serving = importlib.import_module("vrx.app.serve")

LINK = "http://127.0.0.1:4711/?token=abc-_DEF"


def test_the_file_that_leads_to_the_link_is_the_owners_alone_and_goes_away() -> None:
    with serving.forwarding(LINK) as file:
        text = file.read_text(encoding="utf-8")
        told = re.search(r'http-equiv="refresh" content="0; url=([^"]+)"', text)
        assert told is not None
        assert html.unescape(told[1]) == LINK
        if os.name == "posix":
            assert stat.S_IMODE(file.stat().st_mode) == 0o600
        assert "token" not in file.as_uri()
        assert "abc-_DEF" not in file.as_uri()
    assert not file.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script stands for the browser")
@pytest.mark.parametrize("wanted", [True, False])
def test_the_browser_is_opened_without_the_token(
    empty: Path, monkeypatch, tools, wanted: bool
) -> None:
    import threading

    import uvicorn

    opened: list[str] = []
    texts: list[str] = []
    told: list[str] = []
    seen = threading.Event()

    def browser(address: str) -> bool:
        opened.append(address)
        texts.append(Path(address.removeprefix("file://")).read_text(encoding="utf-8"))
        seen.set()
        return True

    def run(self, sockets=None) -> None:
        self.started = True
        seen.wait(5 if wanted else 0.3)

    monkeypatch.setattr(serving.webbrowser, "open", browser)
    monkeypatch.setattr(uvicorn.Server, "run", run)
    serving.serve(empty, 0, wanted, tell=told.append)
    link = next(one for one in " ".join(told).split() if "token=" in one)
    assert bool(opened) is wanted
    for address, text in zip(opened, texts, strict=True):
        assert address.startswith("file://")
        assert link.partition("token=")[2] not in address
        assert link in html.unescape(text)
        assert not Path(address.removeprefix("file://")).exists()


def test_the_private_file_lets_a_browser_in(empty: Path, browser, serve_folder) -> None:
    app = serve_folder(empty)
    context = browser.new_context()
    with serving.forwarding(app.link) as file:
        page = context.new_page()
        page.goto(file.as_uri())
        page.wait_for_url(f"{app.address}/files")
        assert page.inner_text("h1") == "Start with your files"
        # what came from a stranger's page without the token stays outside
        stranger = browser.new_context().new_page()
        stranger.goto(f"{app.address}/files")
        assert "Not let in" in stranger.inner_text("h1")
