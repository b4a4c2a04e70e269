"""A plan that asks for every format: written, listed, judged, the same on a second run."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import get_args

import fiona
import pyarrow.parquet
import pytest
import rasterio

from vrx.audit import audit_run
from vrx.errors import PlanError
from vrx.export import FORMATS
from vrx.pipeline import run_field
from vrx.plan.schema import ExportSection


def asked(folder: Path, formats: Sequence[str]) -> Path:
    plan = folder / "plan.toml"
    text = re.sub(r"^formats = .*$", f"formats = {json.dumps(list(formats))}",
                  plan.read_text(encoding="utf-8"), flags=re.MULTILINE)
    plan.write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def everything(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The folder of a field and of its run in all formats."""
    import shutil

    source = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"
    folder = Path(shutil.copytree(source, tmp_path_factory.mktemp("all") / "bench"))
    return folder, run_field(asked(folder, list(FORMATS))).folder


def test_the_plan_knows_every_format_of_the_registry() -> None:
    (told,) = [one for one in get_args(ExportSection.model_fields["formats"].annotation)
               if one is not ...]
    assert set(get_args(told)) == set(FORMATS)


def test_manifest_and_page_list_every_file(everything: tuple[Path, Path]) -> None:
    _, run = everything
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    listed = {one["path"]: one["format"] for one in record["files"]}
    there = {p.relative_to(run).as_posix() for p in run.rglob("*") if p.is_file()}
    assert set(listed) == there - {"manifest.json"}
    assert set(FORMATS) <= set(listed.values())
    page = (run / "page.html").read_text(encoding="utf-8")
    assert all(f"<code>{path}</code>" in page for path in listed if path != "page.html")
    assert record["versions"]["pyarrow"]


def test_every_format_holds_the_rates_of_the_job_record(everything: tuple[Path, Path]) -> None:
    _, run = everything
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    table = pyarrow.parquet.read_table(run / "prescription.parquet").to_pydict()
    with fiona.open(run / "field.gpkg", layer="prescription") as source:
        rows = [dict(one["properties"]) for one in source]
    for one in record["passes"]:
        rates = [each["steps"] * one["step"] for each in one["steps"]]
        assert table[one["column"]] == pytest.approx(rates, rel=1e-12)
        assert [row[one["column"]] for row in rows] == pytest.approx(rates, rel=1e-12)
        with rasterio.open(run / "geotiff" / f"rate_{one['column']}.tif") as source:
            held = set(source.read(1, masked=True).compressed().tolist())
            assert float(source.tags()["TOTAL_PRESCRIBED"]) == pytest.approx(
                one["prescription_total"], rel=1e-9)
        assert sorted(held) == pytest.approx(sorted(set(rates)), rel=1e-6)
    with fiona.open(run / "field.gpkg", layer="run_record") as source:
        told = {one["properties"]["name"]: one["properties"]["value"] for one in source}
    assert told["run"] == record["run"]
    assert told["plan.sha256"] == record["plan"]["sha256"]
    with fiona.open(run / "field.gpkg", layer="findings") as source:
        assert len(source) == len(record["findings"])


def test_maps_and_rates_are_styled_as_the_page_draws_them(everything: tuple[Path, Path]) -> None:
    _, run = everything
    with fiona.open(run / "field.gpkg", layer="layer_styles") as source:
        styles = [dict(one["properties"]) for one in source]
    page = (run / "page.html").read_text(encoding="utf-8").lower()
    of_rates = [one for one in styles if one["f_table_name"] == "prescription"]
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    assert len(of_rates) == len(record["passes"])
    fills = re.findall(r'name="color" type="QString" value="(\d+),(\d+),(\d+),255"',
                       of_rates[0]["styleQML"])
    assert fills
    for red, green, blue in fills:
        assert f"#{int(red):02x}{int(green):02x}{int(blue):02x}" in page
    maps = [one for one in styles if one["f_table_name"].startswith("MAP_")]
    assert {one["f_table_name"] for one in maps} >= {"MAP_K_PPM", "MAP_SO4S_PPM"}
    for one in maps:
        colours = re.findall(r'<item value="[^"]+" color="(#[0-9a-f]{6})"', one["styleQML"])
        assert 1 <= len(colours) <= 6


def test_the_audit_agrees_and_says_what_it_did_not_read(everything: tuple[Path, Path]) -> None:
    _, run = everything
    result = audit_run(folder=run)
    assert result.agrees
    assert result.arithmetic is True
    told = [one for one in result.faults if one.code == "audit-map-partly"]
    assert [one.what.split(":")[0] for one in told] == ["maps of soil tests"]
    assert "standard errors" in told[0].what
    assert not [one for one in result.faults if one.code == "audit-format-unread"]
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    read = {row.where.partition(",")[0] for row in result.rows if row.unit == "ac"}
    assert {"shapefile/prescription.shp", "prescription.geojson", "field.gpkg/prescription",
            "prescription.parquet", "TASKDATA", "geotiff/zones.tif",
            *(f"geotiff/rate_{one['column']}.tif" for one in record["passes"])} <= read
    cells = [row for row in result.rows if row.what.startswith("cells that hold what the zone")]
    assert len(cells) == len(record["passes"]) + 1
    assert all(row.found == row.expected > 1000 for row in cells)
    judged = [row for row in result.rows if row.what == "rates as in the job record"]
    assert judged
    assert all(row.agrees and row.found == row.expected > 0 for row in judged)


def reseal(run: Path) -> None:
    """The job record takes the bytes as they now are, so that only figures can give a lie away."""
    path = run / "manifest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for one in record["files"]:
        data = (run / one["path"]).read_bytes()
        one |= {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
    path.write_text(json.dumps(record), encoding="utf-8")


@pytest.mark.parametrize("form", ["polygons", "grid type 1", "grid type 2"])
def test_task_data_alone_are_judged_rate_by_rate(
    copy_of: Callable[[str], Path], form: str
) -> None:
    folder = asked(copy_of("bench"), ["iso11783"])
    with (folder / "plan.toml").open("a", encoding="utf-8") as stream:
        stream.write(f'\n[export.task_data]\nform = "{form}"\n')
    run = run_field(folder).folder
    assert audit_run(folder=run).arithmetic is True
    record = run / "TASKDATA" / "TASKDATA.XML"
    cells = run / "TASKDATA" / "GRD00001.bin"
    if form == "grid type 2":
        data = bytearray(cells.read_bytes())
        at = next(k for k in range(0, len(data), 4) if any(data[k:k + 4]))
        data[at:at + 4] = (12345).to_bytes(4, "little")
        cells.write_bytes(bytes(data))
    else:
        text = record.read_text(encoding="utf-8")
        rate = next(one for one in re.findall(r'<PDV A="0006" B="(\d+)"', text) if one != "0")
        record.write_text(text.replace(f'B="{rate}"', f'B="{int(rate) + 1}"'), encoding="utf-8")
    reseal(run)
    result = audit_run(folder=run)
    assert result.arithmetic is False
    assert "audit-rate-unrecorded" in {one.code for one in result.faults}


def test_a_changed_geopackage_is_found_by_its_bytes(
    everything: tuple[Path, Path], tmp_path: Path
) -> None:
    import shutil

    _, run = everything
    copy = Path(shutil.copytree(run, tmp_path / run.name))
    data = (copy / "field.gpkg").read_bytes()
    (copy / "field.gpkg").write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    result = audit_run(folder=copy)
    assert not result.agrees
    assert "audit-file-changed" in {one.code for one in result.faults}


def test_a_second_run_gives_the_same_bytes(everything: tuple[Path, Path]) -> None:
    folder, run = everything
    assert run_field(folder).folder == run


def test_a_run_of_rasters_alone_is_judged_by_its_cells(copy_of: Callable[[str], Path]) -> None:
    run = run_field(asked(copy_of("bench"), ["geotiff"])).folder
    result = audit_run(folder=run)
    assert result.arithmetic is True
    (told,) = [one for one in result.faults if one.code == "audit-format-only"]
    assert "cells" in told.what
    path = next((run / "geotiff").glob("rate_P1*.tif"))
    with rasterio.open(path, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as target:
        cells = target.read(1)
        cells[cells > 0] += 1
        target.write(cells, 1)
    reseal(run)
    result = audit_run(folder=run)
    assert result.arithmetic is False
    assert "audit-rate-unrecorded" in {one.code for one in result.faults}
    (run / "order.csv").write_text("material\n", encoding="utf-8")
    assert audit_run(folder=run).arithmetic is False


def test_a_format_that_vrx_does_not_know_stops_at_the_plan(copy_of: Callable[[str], Path]) -> None:
    with pytest.raises(PlanError, match="geotiff"):
        run_field(asked(copy_of("bench"), ["geojson", "dxf"]))


PASS = "after-first"


@pytest.fixture(scope="module")
def with_fallbacks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose plan asks for rates outside the field and for a lost position."""
    import shutil

    source = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"
    folder = Path(shutil.copytree(source, tmp_path_factory.mktemp("off") / "bench"))
    asked(folder, list(FORMATS))
    with (folder / "plan.toml").open("a", encoding="utf-8") as stream:
        stream.write(f"\n[export.task_data.rates.{PASS}]\noutside_lb_per_ac = 20.0\n"
                     "position_lost_lb_per_ac = 60.0\n")
    return run_field(folder).folder


def test_the_same_rate_outside_stands_in_every_format_that_can_say_it(
    with_fallbacks: Path,
) -> None:
    """Read by rasterio, sqlite3, pyarrow, plain JSON and the XML parser."""
    import sqlite3
    from contextlib import closing

    run = with_fallbacks
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    want = {one["column"]: (one["rate_outside"], one["rate_position_lost"])
            for one in record["passes"]}
    (column,) = [one["column"] for one in record["passes"] if one["pass_id"] == PASS]
    assert want[column] == (20.0, 60.0)
    assert all(rates == (0.0, 0.0) for name, rates in want.items() if name != column)
    told = json.loads((run / "prescription.geojson").read_text(encoding="utf-8"))
    columnar = json.loads(pyarrow.parquet.read_schema(
        run / "prescription.parquet").metadata[b"rates_outside_zones"])
    for one in (told["rates_outside_zones"], columnar):
        assert {name: (rates["outside"], rates["position_lost"])
                for name, rates in one.items()} == want
        assert one[column]["unit"] == "lb/ac"
    with closing(sqlite3.connect(run / "field.gpkg")) as base:
        rows = base.execute(
            'SELECT "column", rate_outside, rate_position_lost FROM passes').fetchall()
    assert {name: (outside, lost) for name, outside, lost in rows} == want
    with rasterio.open(run / "geotiff" / f"rate_{column}.tif") as source:
        tags = source.tags()
    assert (float(tags["RATE_OUTSIDE"]), float(tags["RATE_POSITION_LOST"])) == (20, 60)
    assert f"{column:<10}  outside 20, position lost 60 lb/ac" in (
        run / "prescription_columns.txt").read_text(encoding="utf-8")
    page = (run / "page.html").read_text(encoding="utf-8")
    assert "outside the field 20.00 lb/ac; position lost 60.00 lb/ac" in page
    (said,) = [one for one in record["findings"] if one["code"] == "export-rate-by-hand"]
    assert "20 lb/ac outside the field and 60" in said["what"]


def test_readers_of_geojson_take_the_foreign_member(with_fallbacks: Path) -> None:
    """RFC 7946 section 6.1 lets members be; GDAL (fiona) and a validator read the file."""
    import geojson_validator

    path = with_fallbacks / "prescription.geojson"
    with fiona.open(path) as source:
        assert len(source) > 1
    document = json.loads(path.read_text(encoding="utf-8"))
    assert geojson_validator.validate_structure(document) == {}
    assert geojson_validator.validate_geometries(document)["invalid"] == {}


def _json_member(run: Path) -> None:
    path = run / "prescription.geojson"
    text = path.read_text(encoding="utf-8")
    assert '"outside": 20.0' in text
    path.write_text(text.replace('"outside": 20.0', '"outside": 0.0'), encoding="utf-8")


def _no_member(run: Path) -> None:
    path = run / "prescription.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    del document["rates_outside_zones"]
    path.write_text(json.dumps(document), encoding="utf-8")


def _package_row(run: Path) -> None:
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(run / "field.gpkg")) as base, base:
        base.execute("UPDATE passes SET rate_position_lost = 0")


def _parquet_words(run: Path) -> None:
    path = run / "prescription.parquet"
    table = pyarrow.parquet.read_table(path)
    words = dict(table.schema.metadata)
    words[b"rates_outside_zones"] = words[b"rates_outside_zones"].replace(b"60.0", b"6.0")
    pyarrow.parquet.write_table(table.replace_schema_metadata(words), path)


def _tag(run: Path) -> None:
    for path in (run / "geotiff").glob("rate_*.tif"):
        with rasterio.open(path, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as target:
            target.update_tags(RATE_OUTSIDE="7")


@pytest.mark.parametrize("spoil", [
    _json_member, _no_member, _package_row, _parquet_words, _tag])
def test_a_rate_outside_that_was_changed_is_told(
    spoil: Callable[[Path], None], with_fallbacks: Path, tmp_path: Path
) -> None:
    import shutil

    # Without current.json beside it the job record's own hash is not in play.
    run = Path(shutil.copytree(with_fallbacks, tmp_path / with_fallbacks.name))
    assert audit_run(folder=run).arithmetic is True
    spoil(run)
    reseal(run)
    result = audit_run(folder=run)
    assert result.arithmetic is False
    wrong = {row.what for row in result.rows if not row.agrees}
    assert wrong | {one.code for one in result.faults} & {"audit-outside-rate"}
    assert "files as recorded" not in wrong
