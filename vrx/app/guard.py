"""Who may talk to the app: one browser of this machine that was given the link of this start."""

from __future__ import annotations

import asyncio
import hashlib
import re
import time
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from hmac import compare_digest
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_UPLOAD_BYTES = 200 << 20
MOST_FORM_BYTES = 1 << 20
MOST_PATH = 2000
WAIT_CHUNK_S = 20.0
WAIT_FORM_S = 30.0
WAIT_UPLOAD_S = 900.0
FAULT_TOLD = "vrx.fault_told"
UPLOAD_PATHS = ("/files/bring",)
_ON = (b'<!doctype html><html lang="en"><meta charset="utf-8"><title>vrx app</title>'
       b'<meta http-equiv="refresh" content="0; url=/"><a href="/">To the job</a></html>\n')

CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
CSP_OF_FILES = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; sandbox"
)
"""A page that a run wrote carries its own style sheet; it may run and fetch nothing."""

_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
)
_BAD_PATH = re.compile(rb"[\x00-\x1f\x7f\\]|%(?:0[0-9a-f]|1[0-9a-f]|7f|5c|2f)|(?:^|/)\.\.?(?:/|$)",
                       re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Keys:
    """The secrets of one start, all from its token: link, cookie and the field in every form."""

    token: str

    def _part(self, name: str) -> str:
        return hashlib.sha256(f"{name}:{self.token}".encode()).hexdigest()

    @property
    def cookie(self) -> str:
        """The value of the cookie."""
        return self._part("cookie")

    @property
    def form(self) -> str:
        """The value of the hidden field `token`."""
        return self._part("form")

    def fits_form(self, told: str) -> bool:
        """Whether a form carries the field of this start."""
        return compare_digest(told.encode(), self.form.encode())


class TooMuch(Exception):  # noqa: N818 - told to the user by its status
    """A body that is too large, or too slow; `status` is its HTTP number."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status
        self.words = words


class Guard:
    """ASGI middleware: host, origin, cookie, sizes, times and the headers of every answer.

    `refuse` makes the body of a refusal from (status, words).
    """

    def __init__(
        self, app: App, *, keys: Keys, port: int, refuse: Callable[[int, str], bytes]
    ) -> None:
        self.app = app
        self.keys = keys
        self.refuse = refuse
        self.hosts = {f"{name}:{port}".encode() for name in ("127.0.0.1", "localhost")}
        self.cookie_name = f"vrx-{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request: refused, let in by the link, or passed on with limits."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        said = self._fault(scope, headers)
        if said is not None:
            await self._answer(send, *said)
            return
        if scope["path"] == "/favicon.ico":
            # browsers ask for it by themselves, from sandboxed pages without a cookie
            await send({"type": "http.response.start", "status": 204, "headers": _dress([])})
            await send({"type": "http.response.body", "body": b""})
            return
        if scope["path"] == "/" and b"token=" in scope.get("query_string", b""):
            await self._let_in(scope, headers, send)
            return
        if not self._known(headers):
            await self._answer(send, 403, "This window was not opened by the app. Use the link "
                               "that vrx app printed when it was started; it changes with every "
                               "start.")
            return
        limited = self._limited(scope, headers, receive)
        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = _dress(message.get("headers", ()))
            await send(message)

        try:
            await self.app(scope, limited, dressed)
        except Exception:
            # the application answered with a page and told the fault, then handed it on
            if not scope.get(FAULT_TOLD):
                raise

    def _fault(
        self, scope: Scope, headers: dict[bytes, list[bytes]]
    ) -> tuple[int, str] | None:
        """What is wrong with a request before anything of it is read."""
        hosts = headers.get(b"host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return 421, "This app answers to its own address on this machine only."
        if scope["method"] not in {"GET", "HEAD", "POST"}:
            return 405, "This app takes no such request."
        raw = scope.get("raw_path") or scope["path"].encode("utf-8", "surrogateescape")
        if len(raw) + len(scope.get("query_string", b"")) > MOST_PATH:
            return 414, "The address is too long."
        if _BAD_PATH.search(raw) or b".." in scope["path"].encode(
                "utf-8", "surrogateescape").split(b"/"):
            return 400, "The address holds what no address of this app holds."
        if scope["method"] == "POST" and not self._from_here(headers, hosts[0]):
            return 403, "This form was sent from somewhere else than the app's own pages."
        return None

    def _from_here(self, headers: dict[bytes, list[bytes]], host: bytes) -> bool:
        """Whether a POST comes from a page of ours: by its Origin, else as the browser says."""
        sites = headers.get(b"sec-fetch-site", [])
        if sites and sites != [b"same-origin"]:
            return False
        origins = headers.get(b"origin", [])
        if origins == [b"null"] and sites:
            # what a form without script sends under our own policy of no referrer
            return True
        if origins:
            told = [one.lower() for one in origins]
            # Under no-referrer a plain form says "null"; then the browser's own word counts.
            return told == [b"http://" + host.lower()] or (told == [b"null"] and bool(sites))
        return bool(sites)

    def _known(self, headers: dict[bytes, list[bytes]]) -> bool:
        told = [pair.strip().partition(b"=")[2] for line in headers.get(b"cookie", [])
                for pair in line.split(b";")
                if pair.strip().partition(b"=")[0] == self.cookie_name.encode()]
        return len(told) == 1 and compare_digest(told[0], self.keys.cookie.encode())

    async def _let_in(
        self, scope: Scope, headers: dict[bytes, list[bytes]], send: Send
    ) -> None:
        told = parse_qs(scope["query_string"].decode("latin-1")).get("token", [])
        if len(told) != 1 or not compare_digest(
                told[0].encode("latin-1", "replace"), self.keys.token.encode()):
            await self._answer(send, 403, "This link is of an earlier start. Use the one that "
                               "vrx app printed when it was started last.")
            return
        cookie = (f"{self.cookie_name}={self.keys.cookie}; HttpOnly; SameSite=Strict; Path=/")
        status, body, more = 303, b"", [(b"location", b"/")]
        if headers.get(b"sec-fetch-site", [b"none"]) != [b"none"]:
            # From the file that forwards here a redirect would go without the strict cookie: the
            # page that follows must be asked for by a page of ours.
            status, body, more = 200, _ON, [(b"content-type", b"text/html; charset=utf-8")]
        await send({"type": "http.response.start", "status": status, "headers": _dress(
            [*more, (b"set-cookie", cookie.encode()),
             (b"content-length", str(len(body)).encode())])})
        await send({"type": "http.response.body", "body": body})

    def _limited(
        self, scope: Scope, headers: dict[bytes, list[bytes]], receive: Receive
    ) -> Receive:
        upload = scope["path"] in UPLOAD_PATHS
        most = MOST_UPLOAD_BYTES if upload else MOST_FORM_BYTES
        until = time.monotonic() + (WAIT_UPLOAD_S if upload else WAIT_FORM_S)
        told = headers.get(b"content-length", [b"0"])[0]
        declared = int(told) if told.isdigit() and len(told) < 20 else most + 1
        words = (f"Too much at once: {most >> 20} MB is the most. Bring the files one by one, or "
                 "copy them into the folder yourself.")
        got, ended = 0, False

        async def limited() -> Message:
            nonlocal got, ended
            if declared > most:
                raise TooMuch(413, words)
            if ended:
                return await receive()
            left = min(WAIT_CHUNK_S, until - time.monotonic())
            try:
                message = await asyncio.wait_for(receive(), max(left, 0.0))
            except TimeoutError:
                raise TooMuch(408, "Nothing came for too long; send it again.") from None
            if message["type"] == "http.request":
                got += len(message.get("body", b""))
                ended = not message.get("more_body", False)
                if got > most:
                    raise TooMuch(413, words)
            return message

        return limited

    async def _answer(self, send: Send, status: int, words: str) -> None:
        body = self.refuse(status, words)
        await send({"type": "http.response.start", "status": status, "headers": _dress([
            (b"content-type", b"text/html; charset=utf-8"),
            (b"content-length", str(len(body)).encode()), (b"connection", b"close")])})
        await send({"type": "http.response.body", "body": body})


def _dress(headers: Any) -> list[tuple[bytes, bytes]]:
    """The headers of an answer with those that all have; one of its own stays."""
    found = [(bytes(name).lower(), bytes(value)) for name, value in headers]
    own = {name for name, _ in found}
    found += [pair for pair in _HEADERS if pair[0] not in own]
    if b"content-security-policy" not in own:
        found.append((b"content-security-policy", CSP.encode()))
    return found
