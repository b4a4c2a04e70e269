"""Handing over: formats, writing, downloads of listed files only, audit, stops.

Outside facts: the zip is read by Python's zipfile (ISO/IEC 21320-1, deflate), hashes by hashlib.
"""

from __future__ import annotations

import hashlib
import io
import json
import time
import zipfile
from pathlib import Path

import pytest

from vrx.pipeline import run_field


@pytest.fixture(scope="module")
def run_once(tmp_path_factory: pytest.TempPathFactory, tools) -> Path:
    """The small field with a finished run, made once."""
    import shutil

    folder = tmp_path_factory.mktemp("run") / "field"
    shutil.copytree(tools.KETTLE, folder)
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").replace("cell_m = 5.0", "cell_m = 20.0").replace(
        'method = "choose"', 'method = "inverse distance"')
    plan.write_text(text, encoding="utf-8")
    run_field(folder)
    return folder


@pytest.fixture
def finished(run_once: Path, tmp_path: Path) -> Path:
    import shutil

    return Path(shutil.copytree(run_once, tmp_path / "done"))


def _run(folder: Path) -> Path:
    told = json.loads((folder / "output" / "current.json").read_text(encoding="utf-8"))
    return folder / "output" / told["run"]


def _wait(desk, seconds: float = 120.0) -> None:
    until = time.monotonic() + seconds
    while desk.session.busy and time.monotonic() < until:
        time.sleep(0.05)
    assert not desk.session.busy


def test_every_listed_file_comes_as_it_is(finished: Path, tools) -> None:
    run = _run(finished)
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    with tools.open_desk(finished) as desk:
        page = desk.ready("/hand-over")
        for one in record["files"]:
            told = desk.client.get(f"/hand-over/file/{run.name}/{one['path']}")
            assert told.status_code == 200
            assert hashlib.sha256(told.content).hexdigest() == one["sha256"]
            assert told.headers["content-disposition"].startswith("attachment")
            assert one["path"] in page
            assert one["sha256"] in page


def test_all_files_come_in_one_zip_the_same_every_time(finished: Path, tools) -> None:
    run = _run(finished)
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    (run / "not-listed.txt").write_text("mine", encoding="utf-8")
    with tools.open_desk(finished) as desk:
        one, other = (desk.client.get(f"/hand-over/all/{run.name}.zip").content for _ in "ab")
    assert one == other
    with zipfile.ZipFile(io.BytesIO(one)) as told:
        assert told.testzip() is None
        names = {name.removeprefix(f"{run.name}/") for name in told.namelist()}
        for each in record["files"]:
            data = told.read(f"{run.name}/{each['path']}")
            assert hashlib.sha256(data).hexdigest() == each["sha256"]
    assert names == {each["path"] for each in record["files"]} | {"manifest.json"}


@pytest.mark.parametrize("path", [
    "plan.toml", "../plan.toml", "../../plan.toml", "not-listed.txt", "current.json", "", "/",
    "shapefile", "page.html/", "PAGE.HTML", "linked.csv", "..", "../current.json"])
def test_nothing_else_comes(finished: Path, tools, path: str) -> None:
    run = _run(finished)
    (run / "not-listed.txt").write_text("mine", encoding="utf-8")
    (run / "linked.csv").symlink_to(finished / "plan.toml")
    with tools.open_desk(finished) as desk:
        for kind in ("file", "open"):
            told = desk.client.get(f"/hand-over/{kind}/{run.name}/{path}")
            assert told.status_code in {400, 404}, (kind, path)


def test_a_listed_file_that_became_a_link_does_not_come(finished: Path, tools) -> None:
    run = _run(finished)
    (run / "order.csv").unlink()
    (run / "order.csv").symlink_to(finished / "plan.toml")
    with tools.open_desk(finished) as desk:
        assert desk.client.get(f"/hand-over/file/{run.name}/order.csv").status_code == 404


def test_a_record_that_lists_what_lies_outside_gives_nothing(finished: Path, tools) -> None:
    run = _run(finished)
    path = run / "manifest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    outside = ["../../plan.toml", str(finished / "plan.toml"), "shapefile/../../../plan.toml"]
    record["files"] += [{"path": one, "sha256": "x", "bytes": 1} for one in outside]
    path.write_text(json.dumps(record), encoding="utf-8")
    with tools.open_desk(finished) as desk:
        assert desk.client.get(
            f"/hand-over/file/{run.name}/shapefile%2f..%2fplan.toml").status_code in {400, 404}
        data = desk.client.get(f"/hand-over/all/{run.name}.zip").content
    with zipfile.ZipFile(io.BytesIO(data)) as told:
        assert not any("plan.toml" in name for name in told.namelist())


@pytest.mark.parametrize("run", ["..", ".", "output", "run-0", ".app.lock", "current.json"])
def test_only_finished_runs_are_runs(finished: Path, tools, run: str) -> None:
    with tools.open_desk(finished) as desk:
        assert desk.client.get(f"/hand-over/all/{run}.zip").status_code in {400, 404}
        assert desk.client.get(f"/hand-over/file/{run}/page.html").status_code in {400, 404}


def test_a_page_of_a_run_is_opened_in_a_sandbox(finished: Path, tools) -> None:
    run = _run(finished)
    with tools.open_desk(finished) as desk:
        told = desk.client.get(f"/hand-over/open/{run.name}/page.html")
    policy = told.headers["content-security-policy"]
    assert told.status_code == 200
    assert "sandbox" in policy.split("; ")
    assert "script-src" not in policy
    assert policy.startswith("default-src 'none'")


def test_formats_are_kept_in_the_plan_with_its_comments(finished: Path, tools) -> None:
    before = (finished / "plan.toml").read_text(encoding="utf-8")
    with tools.open_desk(finished) as desk:
        desk.ready("/hand-over")
        told = desk.post("/hand-over/formats", {
            "format": ["geojson", "geopackage"], "on": desk.session.bench.state}, fetched=True)
        assert told.status_code == 200, told.text
        assert "GeoPackage" in told.json()["said"]
    after = (finished / "plan.toml").read_text(encoding="utf-8")
    assert 'formats = ["geojson", "geopackage"]' in after
    assert [one for one in before.splitlines() if one.startswith("#")] == [
        one for one in after.splitlines() if one.startswith("#")]


@pytest.mark.parametrize("chosen", [[], ["nothing"], ["geojson", "<b>"]])
def test_a_wrong_choice_of_formats_changes_nothing(finished: Path, tools, chosen: list) -> None:
    before = (finished / "plan.toml").read_bytes()
    with tools.open_desk(finished) as desk:
        desk.ready("/hand-over")
        told = desk.post("/hand-over/formats", {"format": chosen}, fetched=True)
        assert told.status_code == 422
        assert told.json()["trouble"]["where"] == "format"
    assert (finished / "plan.toml").read_bytes() == before


def test_writing_and_auditing_without_script(small: Path, tools) -> None:
    with tools.open_desk(small) as desk:
        desk.ready("/hand-over")
        assert desk.post("/hand-over/write").status_code == 303
        _wait(desk)
        page = desk.ready("/hand-over")
        assert _run(small).name in page
        assert desk.post("/hand-over/audit").status_code == 303
        _wait(desk)
        page = desk.ready("/hand-over")
        assert "Arithmetic: agrees" in page
        from vrx.app.steps.hand_over import mark

        assert mark(desk.session) == "done"


def test_a_tampered_file_fails_the_audit_in_words(finished: Path, tools) -> None:
    path = _run(finished) / "order.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = lines[1].split(",")
    cells[2] = str(float(cells[2]) * 1.5)
    path.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n", encoding="utf-8")
    with tools.open_desk(finished) as desk:
        desk.ready("/hand-over")
        desk.post("/hand-over/audit")
        _wait(desk)
        assert "Arithmetic: differs" in desk.ready("/hand-over")


def test_what_stops_the_plan_stops_the_hand_over(small: Path, tools) -> None:
    plan = small / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    assert "label_most_gal_per_ac = 10.0" in text
    plan.write_text(text.replace("rate_gal_per_ac = 5.0", "rate_gal_per_ac = 15.0"),
                    encoding="utf-8")
    with tools.open_desk(small) as desk:
        page = desk.ready("/hand-over")
        assert "Write the files</button>" not in page or "stop this plan" in page
        told = desk.post("/hand-over/write", fetched=True)
        if told.status_code == 200:
            _wait(desk)
            assert desk.session.asked.trouble is not None
        else:
            assert told.status_code == 422
            assert told.json()["trouble"]["code"]
    assert not (small / "output" / "current.json").exists()


def test_a_state_of_another_window_is_refused_with_fresh_parts(finished: Path, tools) -> None:
    with tools.open_desk(finished) as desk:
        desk.ready("/hand-over")
        old = desk.session.bench.state
        text = (finished / "plan.toml").read_text(encoding="utf-8")
        (finished / "plan.toml").write_text(text + "\n# by hand\n", encoding="utf-8")
        told = desk.post("/hand-over/formats", {"format": "geojson", "on": old}, fetched=True)
        assert told.status_code == 409
        assert told.json()["on"] != old
        assert "another window" in told.json()["said"]
        assert 'formats = ["geojson"]' not in (finished / "plan.toml").read_text(encoding="utf-8")


def test_a_long_work_is_called_off_at_once_and_writes_nothing(kettle: Path, tools) -> None:
    with tools.open_desk(kettle) as desk:
        assert desk.post("/hand-over/write").status_code == 303
        assert desk.client.get("/task").json()["running"]
        began = time.monotonic()
        told = desk.post("/task/cancel", fetched=True)
        assert "Nothing was changed" in told.json()["said"]
        assert time.monotonic() - began < 2.0
        assert not desk.client.get("/task").json()["running"]
        assert desk.client.get("/files").status_code == 200
        time.sleep(1.0)
    assert not (kettle / "output" / "current.json").exists()
