"""A run that prints: PDFs beside the pages, in the job record, whole or not at all."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest

from vrx import report
from vrx.audit import audit_run
from vrx.errors import MissingExtra, PlanError
from vrx.pipeline import run_field

pypdf = pytest.importorskip("pypdf")
pytest.importorskip("typst")
SAMPLE = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"


def field(home: Path, keys: str = "pdf = true") -> Path:
    folder = Path(shutil.copytree(SAMPLE, home / "bench", ignore=shutil.ignore_patterns("output")))
    plan = folder / "plan.toml"
    told = plan.read_text(encoding="utf-8")
    assert told.count("[export]\n") == 1
    plan.write_text(told.replace("[export]\n", f"[export]\n{keys}\n"), encoding="utf-8")
    return folder


def squeezed(path: Path) -> str:
    return re.sub(r"\s+", "", "".join(one.extract_text() for one in pypdf.PdfReader(path).pages))


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return run_field(field(tmp_path_factory.mktemp("print"))).folder


def test_the_job_record_lists_both_with_their_hashes(printed: Path) -> None:
    record = json.loads((printed / "manifest.json").read_text(encoding="utf-8"))
    listed = {one["path"]: one for one in record["files"]}
    for name in ("page.pdf", "sheet.pdf"):
        data = (printed / name).read_bytes()
        assert listed[name]["sha256"] == hashlib.sha256(data).hexdigest()
        assert listed[name]["bytes"] == len(data)
        assert listed[name]["format"] == "pdf"
        assert data.startswith(b"%PDF-1.7")
    assert re.fullmatch(r"\d+\.\d+\.\d+", record["versions"]["typst"])


def test_it_holds_the_hashes_of_the_other_files_and_the_order(printed: Path) -> None:
    held = squeezed(printed / "page.pdf")
    record = json.loads((printed / "manifest.json").read_text(encoding="utf-8"))
    others = [one for one in record["files"] if one["path"] not in ("page.html", "page.pdf")]
    assert len(others) > 5
    for one in others:
        assert one["sha256"] in held, one["path"]
    with (printed / "order.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows
    for row in rows:
        assert f"{float(row['lb']):,.0f}" in held
        assert f"{float(row['usd']):,.2f}" in held
    # From the file for the rate controller, not from the job: rate times acres of every zone.
    zones = json.loads((printed / "prescription.geojson").read_text(encoding="utf-8"))["features"]
    for one in record["passes"]:
        total = sum(each["properties"][one["column"]] * each["properties"]["AREA_AC"]
                    for each in zones)
        assert re.search(rf"total{total:,.0f}(lb|gal)", held), one["column"]


def test_the_audit_takes_them_as_bytes(printed: Path, tmp_path: Path) -> None:
    assert audit_run(folder=printed).arithmetic is True
    touched = Path(shutil.copytree(printed, tmp_path / printed.name))
    (touched / "page.pdf").write_bytes((printed / "page.pdf").read_bytes() + b"\n")
    told = audit_run(folder=touched)
    assert told.agrees is False
    assert any("page.pdf" in one.where for one in told.faults)


def test_the_same_run_again_and_its_name(printed: Path, tmp_path: Path) -> None:
    again = run_field(field(tmp_path)).folder
    assert again.name == printed.name
    for name in ("page.pdf", "sheet.pdf"):
        assert (again / name).read_bytes() == (printed / name).read_bytes()


def test_without_the_key_nothing_is_printed(tmp_path: Path, printed: Path) -> None:
    folder = run_field(field(tmp_path, "")).folder
    assert folder.name != printed.name
    assert not list(folder.glob("*.pdf"))
    record = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert "typst" not in record["versions"]


def test_a4(tmp_path: Path) -> None:
    folder = run_field(field(tmp_path, 'pdf = true\npaper = "a4"')).folder
    box = pypdf.PdfReader(folder / "page.pdf").pages[0].mediabox
    # ISO 216: 210 x 297 mm, 72 points to an inch of 25.4 mm
    assert (float(box.width), float(box.height)) == pytest.approx(
        (210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.01)


@pytest.mark.parametrize("keys", ['pdf = "yes"', "pdf = 1", 'paper = "legal"'])
def test_other_values_are_refused(tmp_path: Path, keys: str) -> None:
    with pytest.raises(PlanError):
        run_field(field(tmp_path, keys))


def test_without_typst_nothing_is_computed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def absent() -> None:
        raise MissingExtra("no typst", code="export-extra", hint='pip install "vrx[pdf]"')

    monkeypatch.setattr(report, "require_pdf", absent)
    told: list[str] = []
    folder = field(tmp_path)
    with pytest.raises(MissingExtra, match="typst"):
        run_field(folder, progress=told.append)
    assert len(told) == 1
    assert not (folder / "output").exists()


def test_a_print_that_fails_leaves_the_earlier_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = field(tmp_path, "")
    before = run_field(folder).folder
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").replace("[export]\n", "[export]\npdf = true\n")
    plan.write_text(text, encoding="utf-8")

    def full(*args: object, **more: object) -> bytes:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(report, "pdf_bytes", full)
    with pytest.raises(OSError, match="No space"):
        run_field(folder)
    pointer = json.loads((folder / "output" / "current.json").read_text(encoding="utf-8"))
    assert pointer["run"] == before.name
    assert [one.name for one in (folder / "output").iterdir() if one.is_dir()] == [before.name]


def test_the_blanks_to_sign_stand_on_the_front_of_each_pass(tmp_path: Path) -> None:
    """Nine zones, a legend of five rates and the longest list of go or no-go: still one front."""
    kettle = Path(shutil.copytree(
        SAMPLE.with_name("kettle"), tmp_path / "kettle", ignore=shutil.ignore_patterns("output")))
    plan = kettle / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("[export]\n", "[export]\npdf = true\n")
                    .replace('method = "choose"', 'method = "inverse distance"'), encoding="utf-8")
    made = run_field(kettle)
    pages = [re.sub(r"\s+", " ", one.extract_text())
             for one in pypdf.PdfReader(made.folder / "sheet.pdf").pages]
    for one in made.job.prescription.passes:
        front = [text for text in pages if f"sheet {one.number} of 3" in text]
        assert len(front) == 1
        for words in ("Loading check: the screen must show", "To fill in on the day",
                      "Responsible for the prescription, signature", one.column):
            assert words in front[0], (one.number, words)
