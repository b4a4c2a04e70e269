"""Serving one folder: loopback only, a port of its own, a link that changes with every start."""

from __future__ import annotations

import os
import secrets
import socket
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from html import escape
from importlib.util import find_spec
from pathlib import Path

from vrx.errors import ExportError, MissingExtra

HOST = "127.0.0.1"
_NEEDS = ("starlette", "uvicorn", "python_multipart", "anyio")


def require_libraries() -> None:
    """Raise `MissingExtra` where the libraries of the app are not installed."""
    missing = [name for name in _NEEDS if find_spec(name) is None]
    if missing:
        raise MissingExtra(
            f"the app needs {', '.join(missing).replace('_', '-')}, which is not installed",
            code="app-extra", where="vrx app",
            hint="pip install 'vrx[app]'; every other command works without it")


def listening(port: int) -> socket.socket:
    """A socket on the loopback address; port 0 takes any free one. Raises `ExportError`."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        made.bind((HOST, port))
    except OSError as err:
        made.close()
        raise ExportError(
            f"port {port} cannot be used: {err.strerror or err}", code="app-port",
            where=f"{HOST}:{port}", hint="leave --port out, and a free one is taken") from err
    made.listen(64)
    return made


def serve(
    folder: Path, port: int = 0, open_browser: bool = True,  # noqa: FBT001, FBT002 - one caller
    *, tell: Callable[[str], None] = print,
) -> None:
    """Serve a folder until interrupted; `tell` gets the link.

    Raises `MissingExtra`, `PlanError` where another app has the folder, `ExportError`.
    """
    require_libraries()
    import uvicorn

    from vrx.app.patience import config_of
    from vrx.app.server import make_app
    from vrx.app.session import Session

    token = secrets.token_urlsafe(32)
    with Session(folder) as session, listening(port) as made:
        own = int(made.getsockname()[1])
        link = f"http://{HOST}:{own}/?token={token}"
        server = uvicorn.Server(config_of(make_app(session, token=token, port=own)))
        tell(f"vrx app: {folder}")
        tell(f"open this link in a browser of this machine: {link}")
        tell("it works until the app is ended (Ctrl+C); everything is kept in plan.toml")
        if not open_browser:
            server.run(sockets=[made])
            return
        with forwarding(link) as file:
            threading.Thread(target=_open, args=(server, file.as_uri()), daemon=True).start()
            server.run(sockets=[made])


@contextmanager
def forwarding(link: str) -> Iterator[Path]:
    """A file that only its owner may read and that leads a browser to `link`; gone afterwards.

    A browser is opened with this file: other users of the machine read the command lines of all
    programs, and the link holds the token.
    """
    handle, name = tempfile.mkstemp(prefix="vrx-app-", suffix=".html")  # made with mode 0600
    file = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write('<!doctype html><html lang="en"><meta charset="utf-8">'
                         '<title>vrx app</title><meta name="referrer" content="no-referrer">'
                         f'<meta http-equiv="refresh" content="0; url={escape(link)}">'
                         f'<a href="{escape(link)}">Open the app</a></html>\n')
        yield file
    finally:
        with suppress(OSError):
            file.unlink(missing_ok=True)


def _open(server: object, link: str) -> None:
    """The default browser, as soon as somebody answers."""
    for _ in range(100):
        if getattr(server, "started", False):
            webbrowser.open(link)
            return
        time.sleep(0.05)
