"""Who is let in, what is taken in, and what every answer carries.

Outside facts: RFC 6265bis on SameSite and HttpOnly cookies, RFC 9110 on status codes, W3C Content
Security Policy Level 3, the Fetch standard on Origin and Sec-Fetch-Site. That a foreign Host must
be refused keeps out a stranger's page whose name resolves to 127.0.0.1 (DNS rebinding).
"""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest


def test_the_link_sets_a_cookie_and_leads_to_the_clean_address(empty: Path, tools) -> None:
    with tools.open_desk(empty, let_in=False) as desk:
        told = desk.client.get(f"/?token={tools.TOKEN}")
        assert told.status_code == 303
        assert told.headers["location"] == "/"
        cookie = told.headers["set-cookie"]
        assert cookie.startswith(f"vrx-{tools.PORT}=")
        assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= {
            one.strip() for one in cookie.split(";")}
        assert tools.TOKEN not in cookie
        assert desk.client.get("/files").status_code == 200


@pytest.mark.parametrize("path", ["/", "/files", "/task", "/static/app.js", "/nothing",
                                  "/?token=wrong", "/?token=", "/?token=a&token=b"])
def test_without_the_link_nothing_is_told(empty: Path, path: str, tools) -> None:
    with tools.open_desk(empty, let_in=False) as desk:
        told = desk.client.get(path)
        assert told.status_code == 403
        assert "set-cookie" not in told.headers
        assert str(empty) not in told.text


def test_the_secrets_of_an_earlier_start_open_nothing(empty: Path, tools) -> None:
    from vrx.app.guard import Keys

    old = Keys("an earlier start")
    with tools.open_desk(empty, let_in=False) as desk:
        desk.client.cookies.set(f"vrx-{tools.PORT}", old.cookie)
        assert desk.client.get("/files").status_code == 403
        desk.client.cookies.set(f"vrx-{tools.PORT}", desk.keys.cookie)
        told = desk.post("/files/invented", {"token": old.form}, fetched=True)
        assert told.status_code == 403
        assert told.json()["trouble"]["code"] == "app-token"
    assert not (empty / "plan.toml").exists()


@pytest.mark.parametrize("host", [
    "example.org", "example.org:8123", "127.0.0.1", "127.0.0.1:9", "127.0.0.1.example.org:8123",
    "[::1]:8123", "localhost:8123.example.org", "", "0.0.0.0:8123", "localhost.:8123"])
def test_a_foreign_host_is_refused(desk, host: str) -> None:
    assert desk.client.get("/files", headers={"host": host}).status_code == 421


def test_both_names_of_this_machine_are_ours(desk, tools) -> None:
    for name in ("127.0.0.1", "localhost"):
        told = desk.client.get("/files", headers={"host": f"{name}:{tools.PORT}"})
        assert told.status_code == 200


@pytest.mark.parametrize("headers", [
    {"origin": "http://example.org"}, {"origin": "null"}, {"origin": "https://127.0.0.1:8123"},
    {"origin": "http://127.0.0.1:9"}, {"origin": "http://localhost:8123"},
    {"origin": ""}, {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"},
    {"sec-fetch-site": "none"}, {},
    {"origin": "http://127.0.0.1:8123", "sec-fetch-site": "same-site"}])
def test_a_form_from_elsewhere_is_refused(desk, headers: dict[str, str]) -> None:
    told = desk.client.post("/files/invented", data={"token": desk.keys.form}, headers=headers)
    assert told.status_code == 403
    assert not (desk.session.folder / "plan.toml").exists()


def test_a_form_of_ours_is_taken_with_either_header(empty: Path, tools) -> None:
    with tools.open_desk(empty) as desk:
        told = desk.client.post("/files/invented", data={"token": desk.keys.form},
                                headers={"sec-fetch-site": "same-origin", "origin": "null"})
        assert told.status_code == 303
    assert (empty / "plan.toml").exists()


@pytest.mark.parametrize("fields", [{"token": ""}, {"token": "wrong"}, {"token": ["a", "b"]}])
def test_a_form_without_its_token_is_refused(desk, fields: dict[str, object]) -> None:
    told = desk.post("/files/invented", fields)
    assert told.status_code == 403
    assert not (desk.session.folder / "plan.toml").exists()


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"])
def test_other_methods_are_refused(desk, method: str) -> None:
    assert desk.client.request(method, "/files").status_code == 405


@pytest.mark.parametrize("path", [
    "/static/../server.py", "/static/..%2fserver.py", "/static/%2e%2e/server.py",
    "/static/app.js%00.css", "/static/..%5cserver.py", "/static/%2fetc/passwd",
    "/hand-over/file/../../../etc/passwd", "/hand-over/file/run-x/..%2f..%2fplan.toml",
    "/hand-over/file/run-x//etc/passwd", "/hand-over/open/run-x/%00page.html",
    "/hand-over/file/..%2foutput/plan.toml", "/static/server.py", "/static/nothing.js",
    "/files\n/x", "/" + "x" * 3000])
def test_no_path_leads_out(desk, path: str) -> None:
    # sent as raw bytes: a client would tidy it up first
    status, body = _run(_raw(desk, path.encode("latin-1")))
    assert status in {400, 404, 414}, status
    assert b"import" not in body
    assert b"root:" not in body


def _run(work):
    """The result of a coroutine, in a thread: a browser of other tests keeps a loop in this one."""
    with ThreadPoolExecutor(max_workers=1) as thread:
        return thread.submit(asyncio.run, work).result()


async def _raw(desk, target: bytes, *, method: str = "GET", headers: list | None = None,
               body: list | None = None) -> tuple[int, bytes]:
    from urllib.parse import unquote_to_bytes

    app = desk.client.app
    pieces = list(body or [{"type": "http.request", "body": b"", "more_body": False}])
    said: dict[str, object] = {"status": 0, "body": b""}

    async def receive():
        if not pieces:
            await asyncio.sleep(3600)
        one = pieces.pop(0)
        if callable(one):
            return await one()
        return one

    async def send(message) -> None:
        if message["type"] == "http.response.start":
            said["status"] = message["status"]
        else:
            said["body"] += message.get("body", b"")

    path, _, query = target.partition(b"?")
    await app({
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
        "scheme": "http", "path": unquote_to_bytes(path).decode("utf-8", "surrogateescape"),
        "raw_path": path, "query_string": query, "root_path": "",
        "server": ("127.0.0.1", desk.port), "client": ("127.0.0.1", 5),
        "headers": [(b"host", f"127.0.0.1:{desk.port}".encode()),
                    (b"cookie", f"vrx-{desk.port}={desk.keys.cookie}".encode()), *(headers or [])],
    }, receive, send)
    return said["status"], said["body"]


OURS = [(b"origin", f"http://127.0.0.1:{8123}".encode()),
        (b"content-type", b"application/x-www-form-urlencoded")]


def test_a_body_that_is_declared_too_large_is_refused_unread(desk) -> None:
    from vrx.app.guard import MOST_FORM_BYTES, MOST_UPLOAD_BYTES

    for path, most in ((b"/files/answer", MOST_FORM_BYTES), (b"/files/bring", MOST_UPLOAD_BYTES)):
        kind = [(b"content-type", b"multipart/form-data; boundary=x")] if b"bring" in path else []
        status, _ = _run(_raw(
            desk, path, method="POST", body=[],
            headers=[*OURS[:1], *(kind or OURS[1:]),
                     (b"content-length", str(most + 1).encode())]))
        assert status == 413, path


@pytest.mark.parametrize("length", [b"-1", b"1e9", b"9" * 40])
def test_a_length_that_is_no_length_is_refused(desk, length: bytes) -> None:
    status, _ = _run(_raw(desk, b"/files/answer", method="POST", body=[],
                                 headers=[*OURS, (b"content-length", length)]))
    assert status == 413


def test_a_body_that_grows_too_large_is_cut_off(desk, monkeypatch) -> None:
    from vrx.app import guard

    monkeypatch.setattr(guard, "MOST_FORM_BYTES", 10_000)
    piece = {"type": "http.request", "body": b"x" * 4_000, "more_body": True}
    status, _ = _run(_raw(desk, b"/files/answer", method="POST", headers=OURS,
                                 body=[dict(piece) for _ in range(100)]))
    assert status == 413


def test_an_upload_that_grows_too_large_leaves_nothing(desk, monkeypatch) -> None:
    from vrx.app import guard

    monkeypatch.setattr(guard, "MOST_UPLOAD_BYTES", 50_000)
    head = (b'--x\r\nContent-Disposition: form-data; name="token"\r\n\r\n'
            + desk.keys.form.encode() + b"\r\n--x\r\nContent-Disposition: form-data; "
            b'name="files"; filename="big.csv"\r\n\r\n')
    pieces = [head, *[b"1,2\r\n" * 2000] * 20]
    status, _ = _run(_raw(
        desk, b"/files/bring", method="POST",
        headers=[OURS[0], (b"content-type", b"multipart/form-data; boundary=x")],
        body=[{"type": "http.request", "body": one, "more_body": True} for one in pieces]))
    assert status == 413
    assert [one.name for one in desk.session.folder.iterdir()] == [".app.lock"]


def test_a_slow_body_is_given_up(desk, monkeypatch) -> None:
    from vrx.app import guard

    monkeypatch.setattr(guard, "WAIT_CHUNK_S", 0.05)
    status, _ = _run(_raw(desk, b"/files/answer", method="POST", headers=OURS, body=[
        {"type": "http.request", "body": b"token=", "more_body": True}, _never]))
    assert status == 408


def test_a_body_that_trickles_is_given_up_all_the_same(desk, monkeypatch) -> None:
    from vrx.app import guard

    monkeypatch.setattr(guard, "WAIT_FORM_S", 0.3)

    async def drop():
        await asyncio.sleep(0.05)
        return {"type": "http.request", "body": b"x", "more_body": True}

    status, _ = _run(_raw(desk, b"/files/answer", method="POST", headers=OURS,
                                 body=[drop] * 50))
    assert status == 408


async def _never():
    await asyncio.sleep(3600)


def test_every_answer_carries_the_policy(desk) -> None:
    from vrx.app.guard import CSP

    for told in (desk.client.get("/files"), desk.client.get("/static/app.css"),
                 desk.client.get("/nothing"), desk.client.get("/files", headers={"host": "x"}),
                 desk.client.get("/code/plan-missing"), desk.client.get("/task")):
        assert told.headers["content-security-policy"] == CSP
        assert told.headers["x-content-type-options"] == "nosniff"
        assert told.headers["referrer-policy"] == "no-referrer"
        assert told.headers["cache-control"] == "no-store"
        assert told.headers["cross-origin-opener-policy"] == "same-origin"
        assert told.headers["cross-origin-resource-policy"] == "same-origin"
    assert "unsafe" not in CSP
    assert "default-src 'none'" in CSP


def test_no_template_holds_inline_script_style_or_another_address(tools) -> None:
    import re

    home = Path(tools.ROOT, "vrx", "app")
    for path in (*home.glob("templates/*.j2"), home / "pages.py"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<script(?![^>]*\bsrc=)", text), path
        assert not re.search(r"\son[a-z]+=", text.replace('name="on"', "")), path
        assert not re.search(r"<style|\sstyle=", text), path
        assert not re.search(r"https?://", text), path
    for path in home.glob("static/*"):
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|@import|\beval\(|new Function", text), path


def test_websockets_are_closed(desk) -> None:
    said = []

    async def send(message) -> None:
        said.append(message["type"])

    _run(desk.client.app({"type": "websocket", "headers": [], "path": "/"}, _never, send))
    assert said == ["websocket.close"]


def test_a_fault_of_ours_shows_its_name_and_nothing_else(desk, monkeypatch, capsys) -> None:
    from vrx.app.steps import files

    def broken(folder):
        raise RuntimeError("secret inside")

    monkeypatch.setattr(files.folder, "files_of", broken)
    told = desk.client.get("/files")
    assert told.status_code == 500
    assert "secret inside" not in told.text
    assert "Traceback" not in told.text
    err = capsys.readouterr().err
    assert "secret inside" in err
    name = err.split("fault ")[1].split(" ")[0]
    assert name in told.text


def test_a_second_app_on_the_same_folder_is_told(desk) -> None:
    from vrx.app.session import Session
    from vrx.errors import PlanError

    with pytest.raises(PlanError, match="open in another") as told:
        Session(desk.session.folder)
    assert told.value.code == "app-folder-open"
