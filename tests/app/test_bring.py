"""Files that come in: hostile names and bodies, nothing overwritten, nothing half.

Outside facts: RFC 7578 (multipart/form-data; section 4.2: a file name is never trusted as a path),
names that Windows keeps for devices (Microsoft, "Naming Files, Paths, and Namespaces").
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from vrx.app.form import safe_name

HOSTILE = [
    "../../etc/passwd", "..\\..\\windows\\win.ini", "/etc/passwd", "C:\\boot.ini", "a/b/c.csv",
    "<script>alert(1)</script>.csv", "<img src=x onerror=alert(1)>.csv", "'; drop.csv",
    "evil\u202evsc.exe.csv", "x" * 500 + ".csv", "名前.csv", "é" * 300 + ".csv", "nul.csv", "COM1",
    "..", ".", "...", " ", ".hidden.csv", "a\x00b.csv", "a\nb.csv", "a\tb.csv", "%2e%2e%2fx.csv",
    "\ud800.csv", "a:b.csv", "con", "soil.csv ", "soil.csv.", "🌾.csv", "\u200b.csv",
]


def _send(desk, files: list[tuple[str, bytes]], *, fetched: bool = True):
    boundary = "xxBOUNDARYxx"
    body = (f'--{boundary}\r\nContent-Disposition: form-data; name="token"\r\n\r\n'
            f"{desk.keys.form}\r\n").encode()
    for name, data in files:
        told = name.replace("\\", "\\\\").replace('"', "%22").replace("\n", "%0A").replace(
            "\r", "%0D")
        body += (f'--{boundary}\r\nContent-Disposition: form-data; name="files"; '
                 f'filename="{told}"\r\nContent-Type: text/csv\r\n\r\n').encode(
                     "utf-8", "surrogatepass") + data + b"\r\n"
    body += f"--{boundary}--\r\n".encode()
    headers = {"origin": desk.origin,
               "content-type": f"multipart/form-data; boundary={boundary}"}
    if fetched:
        headers["x-vrx-parts"] = "{}"
    return desk.client.post("/files/bring", content=body, headers=headers)


def _names(folder: Path) -> set[str]:
    return {one.name for one in folder.iterdir()} - {".app.lock"}


@pytest.mark.parametrize("told", HOSTILE, ids=ascii)
def test_a_hostile_name_becomes_a_plain_one_or_none(told: str) -> None:
    name = safe_name(told)
    assert "/" not in name
    assert "\\" not in name
    assert not name.startswith(".")
    assert len(name.encode()) <= 130
    assert all(c.isprintable() for c in name)
    assert not set(name) & set("<>:\"|?*%\u202e")


@pytest.mark.parametrize("told", HOSTILE, ids=ascii)
def test_a_file_of_a_hostile_name_stays_in_the_folder(desk, told: str) -> None:
    folder = desk.session.folder
    above = {one.name for one in folder.parent.iterdir()}
    answer = _send(desk, [(told, b"a,b\n1,2\n")])
    assert answer.status_code in {200, 422}, answer.text
    assert {one.name for one in folder.parent.iterdir()} == above
    left = _names(folder)
    assert len(left) == (1 if answer.status_code == 200 else 0)
    assert not any(one.startswith(".") for one in left)
    page = desk.ready("/files")
    for bad in ("<script>alert", "<img src=x", "\u202e"):
        assert bad not in page


def test_names_of_our_own_files_are_refused(desk) -> None:
    for name in ("plan.toml", "PLAN.TOML", "edits.jsonl", "signed.jsonl", "x/plan.toml"):
        answer = _send(desk, [(name, b"schema = 1\n")])
        assert answer.status_code == 422, name
        assert answer.json()["trouble"]["code"] == "app-file-name"
    assert _names(desk.session.folder) == set()


def test_a_file_that_is_there_is_never_replaced(desk) -> None:
    folder = desk.session.folder
    (folder / "soil.csv").write_bytes(b"mine\n")
    said = _send(desk, [("soil.csv", b"other\n")]).json()["said"]
    assert "soil-2.csv" in said
    assert "nothing was replaced" in said
    assert (folder / "soil.csv").read_bytes() == b"mine\n"
    assert (folder / "soil-2.csv").read_bytes() == b"other\n"
    again = _send(desk, [("soil.csv", b"mine\n")]).json()["said"]
    assert "byte for byte" in again
    assert _names(folder) == {"soil.csv", "soil-2.csv"}


def test_a_link_in_the_folder_is_not_written_through(desk, tmp_path: Path) -> None:
    outside = tmp_path / "outside.csv"
    outside.write_bytes(b"untouched\n")
    folder = desk.session.folder
    (folder / "soil.csv").symlink_to(outside)
    _send(desk, [("soil.csv", b"new\n")])
    assert outside.read_bytes() == b"untouched\n"
    assert (folder / "soil-2.csv").read_bytes() == b"new\n"
    assert "outside.csv" not in desk.ready("/files")


def test_a_large_file_arrives_whole(desk) -> None:
    data = bytes(range(256)) * 20_000
    assert _send(desk, [("big.bin", data)]).status_code == 200
    kept = desk.session.folder / "big.bin"
    assert hashlib.sha256(kept.read_bytes()).digest() == hashlib.sha256(data).digest()


def test_more_files_than_allowed_leave_none(desk) -> None:
    answer = _send(desk, [(f"f{k}.csv", b"a\n1\n") for k in range(21)])
    assert answer.status_code == 422
    assert "more than 20" in answer.json()["trouble"]["message"]
    assert _names(desk.session.folder) == set()


def test_an_empty_file_is_refused(desk) -> None:
    assert _send(desk, [("empty.csv", b"")]).status_code == 422
    assert _names(desk.session.folder) == set()


def test_files_before_the_token_are_not_written(desk, monkeypatch) -> None:
    import os

    opened = []
    real = os.open
    monkeypatch.setattr(os, "open", lambda path, *a, **k: (
        opened.append(str(path)) if ".bring-" in str(path) else None, real(path, *a, **k))[1])
    boundary = "b"
    body = (b'--b\r\nContent-Disposition: form-data; name="files"; filename="x.csv"\r\n\r\n1\r\n'
            b'--b\r\nContent-Disposition: form-data; name="token"\r\n\r\n'
            + desk.keys.form.encode() + b"\r\n--b--\r\n")
    answer = desk.client.post("/files/bring", content=body, headers={
        "origin": desk.origin, "x-vrx-parts": "{}",
        "content-type": f"multipart/form-data; boundary={boundary}"})
    assert answer.status_code == 403
    assert opened == []


@pytest.mark.parametrize("body", [
    b"", b"--b", b"--b\r\n", b"--b--\r\n", b"no boundary at all", b"--b\r\nContent-Disposition: x",
    b'--b\r\nContent-Disposition: form-data; name="token"\r\n\r\nxx', b"\x00" * 500,
    b'--b\r\nContent-Disposition: form-data; name="files"; filename="x.csv"\r\n\r\nbroken off'])
def test_a_broken_body_is_refused_and_leaves_nothing(desk, body: bytes) -> None:
    answer = desk.client.post("/files/bring", content=body, headers={
        "origin": desk.origin, "x-vrx-parts": "{}",
        "content-type": "multipart/form-data; boundary=b"})
    assert answer.status_code in {403, 422}
    assert _names(desk.session.folder) == set()


@pytest.mark.parametrize("kind", ["", "text/plain", "application/json", "multipart/form-data",
                                  "multipart/mixed; boundary=b", "multipart/form-data; boundary="])
def test_another_kind_of_body_is_refused(desk, kind: str) -> None:
    answer = desk.client.post("/files/bring", content=b"token=x", headers={
        "origin": desk.origin, "x-vrx-parts": "{}", "content-type": kind})
    assert answer.status_code in {403, 422}


def test_the_invented_field_is_that_of_the_samples(tools) -> None:
    from vrx.app.steps.bring import INVENTED

    for one in ("boundary.geojson", "soil.csv", "plan.toml"):
        assert (INVENTED / one).read_bytes() == (tools.KETTLE / one).read_bytes(), one
    assert {one.name for one in INVENTED.iterdir()} == {
        "boundary.geojson", "soil.csv", "plan.toml"}


def test_the_invented_field_replaces_nothing(desk) -> None:
    folder = desk.session.folder
    (folder / "soil.csv").write_bytes(b"mine\n")
    answer = desk.post("/files/invented", fetched=True)
    assert answer.status_code == 422
    assert (folder / "soil.csv").read_bytes() == b"mine\n"
    assert _names(folder) == {"soil.csv"}


@pytest.mark.parametrize("bad", [
    {"boundary": "../../etc/passwd"}, {"boundary": "/etc/passwd"}, {"boundary": ""},
    {"boundary": "boundary.geojson", "samples": "../soil.csv"},
    {"boundary": "boundary.geojson\x00"}, {"boundary": ["boundary.geojson", "soil.csv"]}])
def test_a_plan_names_only_files_of_the_folder(kettle: Path, tools, bad: dict) -> None:
    (kettle / "plan.toml").unlink()
    with tools.open_desk(kettle) as desk:
        answer = desk.post("/files/make", bad, fetched=True)
        assert answer.status_code == 422
        assert answer.json()["trouble"]["where"] in {"boundary", "samples"}
    assert not (kettle / "plan.toml").exists()


def test_a_name_of_markup_is_shown_as_text(kettle: Path, tools) -> None:
    (kettle / "plan.toml").unlink()
    name = '<script>alert("x")</script>\u202e' + "y" * 60
    with tools.open_desk(kettle) as desk:
        answer = desk.post("/files/make", {
            "boundary": "boundary.geojson", "samples": "soil.csv", "name": name}, fetched=True)
        assert answer.status_code == 200, answer.text
        page = desk.ready("/files")
        assert "<script>alert" not in page
        assert "&lt;script&gt;alert" in page
