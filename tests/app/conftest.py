"""Fixtures of the app's tests: folders, a client behind the guard, a served app, a real browser.

The browser is Debian's Chromium (or the one that VRX_CHROMIUM names), found on the path. Where
VRX_NEEDS_BROWSER is set a missing one is an error; elsewhere those tests skip and say so. Every
request of a page is logged, and every page is judged when its test ends: nothing may have left the
loopback address, and the console may hold no violation of the content security policy and no error
of a script.
"""

from __future__ import annotations

import importlib.util
import io
import os
import secrets
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import urlsplit

import pytest

ROOT = Path(__file__).resolve().parents[2]
KETTLE = ROOT / "sample_geo" / "kettle"
PORT = 8123
TOKEN = "a-token-of-the-tests"


@pytest.fixture
def empty(tmp_path: Path) -> Path:
    """An empty folder."""
    made = tmp_path / "field"
    made.mkdir()
    return made


@pytest.fixture
def kettle(empty: Path) -> Path:
    """A folder with the invented field and its whole plan."""
    for one in KETTLE.iterdir():
        shutil.copyfile(one, empty / one.name)
    return empty


@pytest.fixture
def small(kettle: Path) -> Path:
    """The invented field with coarse maps and without what takes time, for tests of clicks."""
    plan = kettle / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    text = text.replace("cell_m = 5.0", "cell_m = 20.0").replace(
        'method = "choose"', 'method = "inverse distance"')
    plan.write_text(text, encoding="utf-8")
    return kettle


@pytest.fixture(scope="session")
def tools() -> SimpleNamespace:
    """What tests call by themselves: `tools.open_desk(folder)`, `tools.axe(page)`."""
    return SimpleNamespace(
        PORT=PORT, TOKEN=TOKEN, ROOT=ROOT, KETTLE=KETTLE, open_desk=open_desk, served=served,
        settled=settled, axe=axe, process=process, free_port=free_port)


# ---- without a browser


@pytest.fixture
def desk(empty: Path):
    """`open_desk` on an empty folder."""
    with open_desk(empty) as made:
        yield made


@contextmanager
def open_desk(folder: Path, *, let_in: bool = True) -> Iterator[Desk]:
    """The app of a folder behind its guard, with a client that holds its cookie."""
    from starlette.testclient import TestClient

    from vrx.app.guard import Keys
    from vrx.app.server import make_app
    from vrx.app.session import Session

    with Session(folder) as session:
        app = make_app(session, token=TOKEN, port=PORT)
        client = TestClient(app, base_url=f"http://127.0.0.1:{PORT}", follow_redirects=False,
                            raise_server_exceptions=False)
        if let_in:
            client.cookies.set(f"vrx-{PORT}", Keys(TOKEN).cookie)
        yield Desk(session=session, client=client, keys=Keys(TOKEN))


@dataclass
class Desk:
    """A session with its client."""

    session: object
    client: object
    keys: object
    port: int = PORT
    origin: str = f"http://127.0.0.1:{PORT}"

    def post(self, path: str, fields: dict | None = None, *, fetched: bool = False, **more):
        """A form of ours; `fetched` as app.js sends it."""
        headers = {"origin": self.origin, **({"x-vrx-parts": "{}"} if fetched else {}),
                   **more.pop("headers", {})}
        data = {"token": self.keys.form, **(fields or {})}
        return self.client.post(path, data=data, headers=headers, **more)

    def ready(self, path: str, *, seconds: float = 60.0) -> str:
        """The page of a step once its stage is ready."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            text = self.client.get(path).text
            if "data-work=" not in text:
                return text
            time.sleep(0.05)
        raise AssertionError(f"{path} is not ready after {seconds} s")


# ---- a real browser


def chromium_path() -> str | None:
    """The browser of the tests, or None."""
    told = os.environ.get("VRX_CHROMIUM")
    if told:
        return told
    return next((path for name in ("chromium", "chromium-browser", "google-chrome")
                 if (path := shutil.which(name))), None)


@pytest.fixture(scope="session")
def browser():
    """Chromium for the whole run."""
    path = chromium_path()
    if path is None:
        if os.environ.get("VRX_NEEDS_BROWSER"):
            pytest.fail("no chromium on the path: the tests of the app cannot run "
                        "(.ci/run installs Debian's)")
        pytest.skip("no chromium on the path; apt-get install chromium, or set VRX_CHROMIUM")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as told:
        made = told.chromium.launch(executable_path=path, args=[
            "--no-sandbox", "--disable-quic", "--disable-background-networking", "--no-first-run",
            "--disable-component-update", "--disable-sync"])
        yield made
        made.close()


@dataclass
class Served:
    """An app that is served from a thread. `link` lets a browser in."""

    folder: Path
    port: int
    token: str
    session: object

    @property
    def link(self) -> str:
        """The link with the token of this start."""
        return f"http://127.0.0.1:{self.port}/?token={self.token}"

    @property
    def address(self) -> str:
        """The address without a path."""
        return f"http://127.0.0.1:{self.port}"


@contextmanager
def served(folder: Path) -> Iterator[Served]:
    """Serve a folder on a free port from a thread of this process."""
    import uvicorn

    from vrx.app.serve import listening
    from vrx.app.server import make_app
    from vrx.app.session import Session

    token = secrets.token_urlsafe(16)
    with Session(folder) as session, listening(0) as made:
        port = made.getsockname()[1]
        server = uvicorn.Server(uvicorn.Config(
            make_app(session, token=token, port=port), log_config=None, lifespan="off",
            h11_max_incomplete_event_size=1 << 18, ws="none", server_header=False,
            timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [made]}, daemon=True)
        thread.start()
        until = time.monotonic() + 20
        while not server.started and time.monotonic() < until:
            time.sleep(0.02)
        assert server.started
        try:
            yield Served(folder=folder, port=port, token=token, session=session)
        finally:
            server.should_exit = True
            thread.join(10)


@pytest.fixture
def serve_folder() -> Iterator[Callable[[Path], Served]]:
    """Serve any folder; `serve_folder(folder).link` is the link. Ended with the test."""
    from contextlib import ExitStack

    with ExitStack() as stack:
        yield lambda folder: stack.enter_context(served(folder))


@dataclass
class Watched:
    """What pages asked for and said."""

    requests: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    # refusals that are part of how pages and server talk: a browser logs each as an error
    expected: tuple[str, ...] = ("status of 409", "status of 422")

    def judge(self) -> None:
        """Fail where a request left the loopback address, or a page complained."""
        away = [one for one in self.requests
                if urlsplit(one).scheme not in {"data", "blob", "about"}
                and urlsplit(one).hostname not in {"127.0.0.1", "localhost"}]
        assert not away, away
        wrong = [one for one in self.said if not any(e in one for e in self.expected)]
        assert not wrong, wrong


@pytest.fixture
def watched() -> Watched:
    """The log of all pages of a test; put words of errors that it provokes into `expected`."""
    return Watched()


@pytest.fixture
def open_page(browser, watched: Watched, serve_folder):
    """`open_page(width=..., height=..., dark=..., context=...)`: a page that is watched."""
    contexts = []

    def opened(*, width: int = 1280, height: int = 800, dark: bool = False, context=None,
               touch: bool = False, script: bool = True):
        if context is None:
            context = browser.new_context(
                viewport={"width": width, "height": height}, accept_downloads=True,
                color_scheme="dark" if dark else "light", has_touch=touch,
                java_script_enabled=script, service_workers="block")
            context.set_default_timeout(20_000)
            contexts.append(context)
        page = context.new_page()
        page.on("request", lambda one: watched.requests.append(one.url))
        page.on("console", lambda one: watched.said.append(
            f"{one.text} {(one.location or {}).get('url', '')}")
                if one.type == "error" else None)
        page.on("pageerror", lambda one: watched.said.append(f"script: {one}"))
        return page

    yield opened
    for one in contexts:
        one.close()
    watched.judge()


@pytest.fixture
def page(open_page):
    """One watched page, 1280 x 800, light."""
    return open_page()


def settled(page, *, seconds: float = 90.0) -> None:
    """Wait until no long work goes on and no form is being sent."""
    page.wait_for_function(
        "() => !document.querySelector('#work [data-work]') && "
        "!document.querySelector('form[aria-busy=\"true\"]') && "
        "document.body.dataset.ready === 'yes'",
        timeout=seconds * 1000)


def axe(page) -> list[str]:
    """Violations that axe-core finds on a page, one line each; scripts of ours stay in force."""
    from axe_playwright_python.sync_playwright import Axe

    # axe is put in by the test's debugger connection, which the policy of the page allows
    found = Axe().run(page, options={"resultTypes": ["violations"]})
    return [f"{one['id']}: {one['help']}: " + "; ".join(
        " ".join(map(str, node["target"])) for node in one["nodes"][:5])
        for one in found.response["violations"]]


def grey(picture: bytes) -> bytes:
    """A screenshot as a photocopier sees it (needs Pillow; for looking at, not for judging)."""
    from PIL import Image

    out = io.BytesIO()
    Image.open(io.BytesIO(picture)).convert("L").save(out, "PNG")
    return out.getvalue()


# ---- a process of its own, for what kills it


@contextmanager
def process(folder: Path, *more: str) -> Iterator[tuple[subprocess.Popen, str]]:
    """`vrx app` in a process of its own, with the link that it printed."""
    made = subprocess.Popen(
        [sys.executable, "-m", "vrx", "app", str(folder), "--no-browser", *more],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, cwd=ROOT,
        env={**os.environ, "COLUMNS": "400"})
    link = ""
    try:
        for line in made.stderr:
            if "token=" in line:
                link = "http" + line.split("http", 1)[1].strip()
                break
        yield made, link
    finally:
        made.kill()
        made.wait(20)
        made.stderr.close()


def free_port() -> int:
    """A port that nobody has just now."""
    with socket.socket() as made:
        made.bind(("127.0.0.1", 0))
        return made.getsockname()[1]


# ---- users, and files of their own


def _beside(name: str):
    path = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(f"vrx_app_{name}", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def own():
    """Invented files of a user (`own_field.py` beside this file)."""
    return _beside("own_field")


@pytest.fixture(scope="session")
def hands():
    """The users (`hands.py` beside this file)."""
    return _beside("hands")


@pytest.fixture(params=["mouse", "keys"])
def hand(request, hands, page, tools):
    """The same job by mouse, and by keyboard alone."""
    return {"mouse": hands.Mouse, "keys": hands.Keys}[request.param](page, tools)
