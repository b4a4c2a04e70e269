"""Signed records: every later edit of the file shows. SHA-256 by hashlib, JSON by json."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from audit_builders import Run
from hypothesis import given
from hypothesis import strategies as st

from vrx.audit import AuditResult, audit_run
from vrx.audit import chain as chains
from vrx.audit.chain import Signature
from vrx.errors import InputError
from vrx.model import note, stop
from vrx.model.audit import AuditRow
from vrx.pipeline import signing

GOOD = AuditResult(subject="run-1", rows=(), faults=(note("audit-x", "a", "b"),),
                   arithmetic=True, trade=None)


def by(who: str = "A. Grower", at: str = "2027-04-15T16:30:00-06:00", **more: object) -> Signature:
    return Signature(**({"who": who, "role": "grower", "signed_at": at, "accepted": {}} | more))


def chain(count: int = 4) -> bytes:
    data = b""
    for k in range(count):
        records, faults = chains.parse(data, "s")
        assert not faults
        record = chains.make(GOOD, by(at=f"2027-04-{10 + k}T08:00:00-06:00", note="“ä” = 5 %"),
                             paths=(), before=records, vrx="0")
        data += chains.line_of(record)
    return data


CHAIN = chain()


def test_a_whole_chain_has_no_fault_and_hashes_as_it_says() -> None:
    records, faults = chains.parse(CHAIN, "s")
    assert not faults
    before = "0" * 64
    for line, record in zip(CHAIN.splitlines(), records, strict=True):
        told = json.loads(line)
        own = told.pop("record_sha256")
        text = json.dumps(told, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert own == hashlib.sha256(text.encode()).hexdigest()
        assert record["previous_sha256"] == before
        before = own


@given(at=st.integers(0, len(CHAIN) - 1), value=st.integers(0, 255))
def test_any_changed_byte_shows(at: int, value: int) -> None:
    changed = CHAIN[:at] + bytes([value]) + CHAIN[at + 1:]
    assert bool(chains.parse(changed, "s")[1]) is (changed != CHAIN)


@given(st.data())
def test_missing_moved_and_repeated_records_show(data: st.DataObject) -> None:
    lines = CHAIN.splitlines(keepends=True)
    picked = data.draw(st.lists(st.integers(0, 3), min_size=1, max_size=6))
    faults = chains.parse(b"".join(lines[k] for k in picked), "s")[1]
    assert bool(faults) is (picked != list(range(len(picked))))


def test_records_cut_off_at_the_end_show_by_the_seal_kept_elsewhere() -> None:
    records, _ = chains.parse(CHAIN, "s")
    seal = records[-1]["record_sha256"]
    fewer, faults = chains.parse(b"".join(CHAIN.splitlines(keepends=True)[:-1]), "s")
    assert not faults
    assert [one.code for one in chains.check_seal(fewer, seal, "s")] == ["sign-seal"]
    assert not chains.check_seal(records, seal.upper(), "s")
    with pytest.raises(InputError, match="no seal"):
        chains.check_seal(records, seal[:12], "s")


def test_an_edit_with_a_seal_made_anew_breaks_the_link() -> None:
    lines = CHAIN.splitlines(keepends=True)
    told = json.loads(lines[1])
    told["who"] = "Somebody else"
    told["record_sha256"] = chains.seal_of(told)
    lines[1] = chains.line_of(told)
    assert {one.code for one in chains.parse(b"".join(lines), "s")[1]} == {"sign-link"}


@pytest.mark.parametrize("line", [
    b"{}", b"[]", b"null", b"\xff", b"[" * 100_000, b'{"schema":1}', b'{"schema":1,"who":NaN}',
    b'{"schema":1,"schema":1}', b'{"schema": 1}',
])
def test_lines_that_are_no_records(line: bytes) -> None:
    assert chains.parse(line + b"\n", "s")[1]


def test_what_differs_must_be_accepted_with_a_reason() -> None:
    row = AuditRow(what="x", where="y", unit="lb", found=2.0, expected=1.0, difference=1.0,
                   tolerance=0.1, agrees=False)
    late = AuditRow(what="x", where="y", unit="lb", found=2.0, expected=1.0, difference=1.0,
                    tolerance=0.1, agrees=False, trade=True)
    bad = AuditResult(subject="r", rows=(row, late), faults=(stop("audit-gap", "f", "0.2 ac"),),
                      arithmetic=False, trade=False)
    with pytest.raises(InputError, match="3 things differ") as caught:
        chains.make(bad, by(), paths=(), before=(), vrx="0")
    assert caught.value.code == "sign-not-accepted"
    reasons = {"arithmetic": "known", "trade": "short load, credited", "audit-gap": "  "}
    with pytest.raises(InputError, match="audit-gap"):
        chains.make(bad, by(accepted=reasons), paths=(), before=(), vrx="0")
    record = chains.make(bad, by(accepted={**reasons, "audit-gap": "a pond"}), paths=(), before=(),
                         vrx="0")
    assert record["accepted"][1] == {"code": "audit-gap", "reason": "a pond"}
    assert (record["arithmetic"], record["trade"]) == (False, False)
    assert len(record["differs"]) == 2


@pytest.mark.parametrize(("more", "code"), [
    ({"who": " "}, "sign-blank"), ({"role": ""}, "sign-blank"),
    ({"signed_at": "2027-04-15T16:30:00"}, "sign-time-form"),
    ({"signed_at": "yesterday"}, "sign-time-form"),
    ({"accepted": {"audit-gap": "typed wrong"}}, "sign-accept-unknown"),
])
def test_what_cannot_be_signed(more: dict[str, object], code: str) -> None:
    with pytest.raises(InputError) as caught:
        chains.make(GOOD, by(**more), paths=(), before=(), vrx="0")
    assert caught.value.code == code


def test_time_does_not_go_back() -> None:
    records, _ = chains.parse(CHAIN, "s")
    with pytest.raises(InputError) as caught:
        chains.make(GOOD, by(at="2027-04-13T07:59:00-06:00"), paths=(), before=records, vrx="0")
    assert caught.value.code == "sign-time-back"
    chains.make(GOOD, by(at="2027-04-13T14:00:00+00:00"), paths=(), before=records, vrx="0")


def test_signing_a_run_and_what_changes_afterwards(run: Run) -> None:
    result = audit_run(folder=run.folder)
    path = signing.chain_of(run.folder.parent)
    assert path.parent == run.folder.parent.parent
    first = signing.sign(result, by(), path=path)
    assert {one["path"] for one in first["files"]} >= {
        f"output/{run.folder.name}/manifest.json", f"output/{run.folder.name}/order.csv"}
    kept = path.read_bytes()
    signing.sign(result, by(at="2027-04-16T09:00:00-06:00"), path=path)
    assert path.read_bytes().startswith(kept)
    assert signing.check(path).whole
    assert not list(path.parent.glob("*.new"))
    target = run.folder / "order.csv"
    data = target.read_bytes()
    target.write_bytes(data + b" ")
    assert [one.code for one in signing.check(path).faults] == ["sign-file-changed"]
    with pytest.raises(InputError, match="changed while"):
        signing.sign(result, by(at="2027-04-17T09:00:00-06:00"), path=path)
    target.unlink()
    assert [one.code for one in signing.check(path).faults] == ["sign-file-missing"]
    target.write_bytes(data)
    assert signing.check(path, seal=first["record_sha256"]).whole


def test_a_broken_chain_is_not_continued(run: Run) -> None:
    result = audit_run(folder=run.folder)
    path = run.folder.parent / "signed.jsonl"
    signing.sign(result, by(), path=path)
    path.write_bytes(path.read_bytes().replace(b"A. Grower", b"B. Grower"))
    before = path.read_bytes()
    with pytest.raises(InputError) as caught:
        signing.sign(result, by(at="2027-04-17T09:00:00-06:00"), path=path)
    assert caught.value.code == "sign-chain-broken"
    assert path.read_bytes() == before


def test_no_chain_is_an_error_and_an_empty_one_is_not_whole(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no signed records"):
        signing.check(tmp_path)
    (tmp_path / "signed.jsonl").write_bytes(b"")
    assert not signing.check(tmp_path).whole


def test_a_hostile_chain_names_devices_and_is_not_followed(tmp_path: Path) -> None:
    record = {**json.loads(CHAIN.splitlines()[0]), "files": [
        {"path": "/dev/zero", "sha256": "0"}, 5, {"path": "a\x00b"}, {"path": "../" * 50}]}
    record["record_sha256"] = chains.seal_of(record)
    (tmp_path / "signed.jsonl").write_bytes(chains.line_of(record))
    found = signing.check(tmp_path)
    assert {one.code for one in found.faults} == {"sign-file-missing"}
    assert len(found.faults) == 3
