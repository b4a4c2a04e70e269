"""The commands as a user types them."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

SAMPLE_GEO = Path(__file__).resolve().parents[2] / "sample_geo"


def vrx(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "vrx", *map(str, arguments)], capture_output=True, text=True,
        check=False, cwd=cwd,
    )


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = Path(shutil.copytree(SAMPLE_GEO / "bench", tmp_path_factory.mktemp("cli") / "bench"))
    done = vrx("run", folder)
    assert done.returncode == 0, done.stderr
    return folder


def test_run_prints_the_order_to_stdout_and_talk_to_stderr(bench: Path) -> None:
    done = vrx("run", bench)
    assert "muriate of potash 0-0-60" in done.stdout
    assert "page.html" in done.stdout
    assert "note" in done.stderr
    assert "Done:" not in done.stdout


def test_run_json_is_the_job_record(bench: Path) -> None:
    told = json.loads(vrx("run", bench, "--json").stdout)
    on_disk = json.loads((Path(told["folder"]) / "manifest.json").read_text(encoding="utf-8"))
    assert told["manifest"] == on_disk


def test_audit_agrees_and_gives_json(bench: Path) -> None:
    done = vrx("audit", bench, "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["arithmetic"] is True
    assert told["trade"] is None


@pytest.mark.parametrize(("share", "code", "words"), [(1.01, 0, "within"), (1.2, 8, "NOT within")])
def test_delivery_is_a_verdict_of_its_own(bench: Path, share: float, code: int, words: str) -> None:
    current = json.loads((bench / "output" / "current.json").read_text(encoding="utf-8"))["run"]
    manifest = json.loads(
        (bench / "output" / current / "manifest.json").read_text(encoding="utf-8")
    )
    line = manifest["order"][0]
    done = vrx(
        "audit", bench, "--delivered", f"{line['material']}={line['quantity'] * share:.0f}",
        "--tolerance", "dry=5",
    )
    assert done.returncode == code, done.stderr
    assert f"{words} trade tolerance" in done.stdout
    assert "arithmetic: agrees" in done.stdout


def test_a_delivery_without_a_tolerance_is_asked_for_one(bench: Path) -> None:
    done = vrx("audit", bench, "--delivered", "muriate of potash 0-0-60=1000")
    assert done.returncode == 3
    assert "tolerance" in done.stderr


def test_a_changed_rate_is_exit_code_8(bench: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(bench, tmp_path / "bench"))
    current = json.loads((copy / "output" / "current.json").read_text(encoding="utf-8"))["run"]
    path = copy / "output" / current / "prescription.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["features"][0]["properties"]["P1_KCL_LB"] += 5
    path.write_text(json.dumps(document), encoding="utf-8")
    done = vrx("audit", copy)
    assert done.returncode == 8
    assert "DIFFERS" in done.stdout
    assert "zone 1" in done.stdout + done.stderr


def test_a_lone_file_is_judged_without_a_job_record(bench: Path) -> None:
    current = json.loads((bench / "output" / "current.json").read_text(encoding="utf-8"))["run"]
    done = vrx("audit", bench / "output" / current / "prescription_shapefile.zip")
    assert done.returncode == 0, done.stderr
    assert "not judged" in done.stdout


def test_new_writes_a_plan_that_says_what_is_left_and_check_and_run_list_it(tmp_path: Path) -> None:
    source = SAMPLE_GEO / "kettle"
    folder = tmp_path / "field"
    done = vrx(
        "new", folder, "--boundary", source / "boundary.geojson", "--samples",
        source / "soil.csv", "--name", "Näme \"quoted\"",
    )
    assert done.returncode == 0, done.stderr
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    assert 'column = "K_M3_ppm"' in text
    for line in ("unit", "form", "extractant", "season", "net_in", "book", "material"):
        assert f'\n{line} = "?"' in text
    check = vrx("check", folder)
    assert check.returncode == 2
    assert 'extractant = "?"' in check.stdout
    row = next(line for line in check.stdout.splitlines() if line.startswith(" K_M3_ppm"))
    assert "potassium" in row
    block = check.stdout.partition("potassium: K_M3_ppm\n")[2].partition("\n\n")[0]
    assert "unit        ppm (the heading)  [soil.potassium.unit]" in block
    assert "extractant  mehlich-3 (the heading)" in block
    assert "usual mean 40 to 250 ppm" in block
    assert f"vrx answer {folder} soil.potassium.unit=ppm" in block
    assert "121.38 ac" in check.stdout
    run = vrx("run", folder)
    assert run.returncode == 2
    assert 'extractant = "?"' in run.stderr
    again = vrx("new", folder, "--boundary", source / "boundary.geojson", "--samples",
                source / "soil.csv")
    assert again.returncode == 2
    assert (folder / "plan.toml").read_text(encoding="utf-8") == text


def test_a_filled_in_draft_runs(tmp_path: Path) -> None:
    source = SAMPLE_GEO / "kettle"
    folder = tmp_path / "field"
    vrx("new", folder, "--boundary", source / "boundary.geojson", "--samples", source / "soil.csv")
    plan = folder / "plan.toml"
    answers = {
        "season": "2027", "stand_year": "3", "date_column": '"sampled_on"', "lab": '"Invented"',
        "report_number": '"1"', "net_in": "8", "sulfate_so4_ppm": "30", "tons_per_ac": "6.5",
        "moisture_pct": "12", "material": '"muriate of potash 0-0-60"', "least_lb_per_ac": "80",
        "most_lb_per_ac": "600", "step_lb_per_ac": "10",
    }
    by_section = {
        "[soil.potassium]": {"unit": '"ppm"', "form": '"K"', "extractant": '"mehlich-3"'},
        "[soil.sulfate]": {"unit": '"ppm"', "form": '"SO4-S"', "extractant": '"calcium phosphate"'},
        "[soil.cec]": {"unit": '"meq/100 g"'}, "[soil.organic_matter]": {"unit": '"%"'},
        "[need.potassium]": {"book": '"tri-state-2020"'},
        "[need.sulfur]": {"book": '"sulfur-balance"'},
    }
    section, lines = "", []
    for line in plan.read_text(encoding="utf-8").splitlines():
        section = line if line.startswith("[") else section
        key = line.partition(" = ")[0]
        if line.endswith('["?", "?"]'):
            lines.append(f"{key} = [0, 8]")
        elif line.endswith('= "?"'):
            lines.append(f"{key} = {by_section.get(section, {}).get(key) or answers[key]}")
        else:
            lines.append(line)
    plan.write_text("\n".join(lines), encoding="utf-8")
    check = vrx("check", folder)
    assert check.returncode == 0, check.stdout + check.stderr
    assert "ready" in check.stdout
    run = vrx("run", folder)
    assert run.returncode == 0, run.stderr


def test_check_json_tells_columns_and_findings(bench: Path) -> None:
    done = vrx("check", bench, "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["ready"] is True
    assert told["field"]["area_ac"] == pytest.approx(40.01, abs=0.01)
    potassium = next(one for one in told["readings"] if one["analyte"] == "potassium")
    assert potassium["extractant"] == "ammonium acetate"
    assert potassium["samples"] == 25


def test_check_on_a_wrong_file_is_exit_code_3(bench: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(bench, tmp_path / "bench"))
    (copy / "soil.csv").write_text("", encoding="utf-8")
    done = vrx("check", copy)
    assert done.returncode == 3
    assert "soil.csv" in done.stderr
    assert "Traceback" not in done.stderr


def test_books_lists_and_explains_with_evidence() -> None:
    listed = vrx("books")
    assert listed.returncode == 0
    assert "tri-state-2020" in listed.stdout
    told = vrx("books", "western-acetate-k-classes")
    assert "from memory" in told.stdout
    unknown = vrx("books", "tristate-2020")
    assert unknown.returncode == 2
    assert "tri-state-2020" in unknown.stderr


def test_a_book_of_the_users_own_is_explained_like_ours() -> None:
    guide = SAMPLE_GEO / "bench" / "county_guide.toml"
    told = vrx("books", "bench-county-invented", "--from", guide)
    assert told.returncode == 0, told.stderr
    assert "invented" in told.stdout.lower()


def test_materials_lists_and_explains() -> None:
    listed = vrx("materials")
    assert all(len(line) <= 80 for line in listed.stdout.splitlines())
    assert "gypsum 0-0-0-18S" in listed.stdout
    told = vrx("materials", "ammonium thiosulfate 12-0-0-26S")
    assert all(len(line) <= 80 for line in told.stdout.splitlines())
    # Table of physical properties: 11.04 lb/gal, 2.87 lb S a gallon; a ton holds 520 lb.
    row = next(line.split() for line in told.stdout.splitlines() if line.startswith("  S "))
    assert row == ["S", "26", "43.27", "2.870", "520.0"]
    plain = json.loads(vrx("materials", "muriate of potash 0-0-60", "--json").stdout)
    assert plain["nutrient_lb_per_short_ton"]["K2O"] == pytest.approx(1200)
    assert len(json.loads(vrx("materials", "--json").stdout)) == 12
    told = vrx("materials", "potassium thiosulfate 0-0-25-17S")
    assert " 3.050 " in told.stdout  # lb K2O a gallon
    assert "caution" in told.stdout
    assert vrx("materials", "potash").returncode == 2


def test_a_single_stop_is_told_once(bench: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(bench, tmp_path / "bench"))
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    (folder / "plan.toml").write_text(
        plan.replace('id_column = "', 'id_column = "no such '), encoding="utf-8")
    done = vrx("run", folder)
    assert done.returncode == 3
    assert done.stderr.count("has no column") == 1


def test_audit_of_a_field_without_a_run_says_how_to_make_one(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(SAMPLE_GEO / "bench", tmp_path / "my bench"))
    done = vrx("audit", folder)
    assert done.returncode == 2
    assert "no finished run yet" in done.stderr
    assert f'vrx run "{folder}"' in done.stderr


def test_a_figure_with_nothing_to_compare_it_with_is_no_agreement(
    bench: Path, tmp_path: Path
) -> None:
    current = json.loads((bench / "output" / "current.json").read_text(encoding="utf-8"))["run"]
    lone = tmp_path / "lone.geojson"
    shutil.copy(bench / "output" / current / "prescription.geojson", lone)
    rows = [line for line in vrx("audit", lone, "--all").stdout.splitlines()
            if line.strip().startswith("acres in all")]
    assert rows
    assert not any("agrees" in line for line in rows)


def test_new_takes_the_layer_of_a_file_that_holds_several(tmp_path: Path) -> None:
    import geopandas as gpd
    import openpyxl
    from shapely.geometry import box

    package = tmp_path / "all fields.gpkg"
    for name, west in (("north", -98.0), ("south", -97.9)):
        gpd.GeoDataFrame({"n": [1]}, geometry=[box(west, 41.0, west + 0.005, 41.004)],
                         crs="EPSG:4326").to_file(package, layer=name, driver="GPKG")
    book = openpyxl.Workbook()
    for title, heading in (("2025", "K_old"), ("2026", "K_new")):
        sheet = book.create_sheet(title)
        sheet.append(["id", "lon", "lat", heading])
        sheet.append(["a", -98.0, 41.0, 120.0])
        sheet.append(["b", -98.0, 41.001, 130.0])
    samples = tmp_path / "soil.xlsx"
    book.save(samples)
    folder = tmp_path / "my field"
    arguments = ["new", folder, "--boundary", package, "--samples", samples]
    refused = vrx(*arguments)
    assert refused.returncode == 3
    assert "'north'" in refused.stderr
    assert not folder.exists()
    done = vrx(*arguments, "--boundary-layer", "south", "--samples-layer", "2026")
    assert done.returncode == 0, done.stderr
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    assert 'boundary_layer = "south"' in plan
    assert 'sheet = "2026"' in plan
    assert "K_new" in plan
    assert f'vrx check "{folder}"' in done.stdout


def test_a_name_that_is_no_text_is_an_error_not_a_traceback(tmp_path: Path) -> None:
    folder = f"{tmp_path}/Gr\udcc3"
    done = vrx("new", folder, "--boundary", SAMPLE_GEO / "bench" / "boundary.geojson",
               "--samples", SAMPLE_GEO / "bench" / "soil.csv")
    assert done.returncode == 3
    assert "Traceback" not in done.stderr
    assert "rename it with plain letters" in done.stderr


@pytest.mark.parametrize(("option", "line"), [
    (["--boundary-name", "west"], 'boundary_name = "west"'),
    (["--join"], 'several = "join"'),
])
def test_new_takes_the_choices_that_a_boundary_asks_for(
    tmp_path: Path, option: list[str], line: str
) -> None:
    import geopandas as gpd
    from shapely.geometry import box

    # UTM 15 N, no .prj: neither the system nor the field is told by the file.
    shapes = [box(east, 4_500_000, east + 400, 4_500_400) for east in (500_000, 500_500)]
    path = tmp_path / "two.shp"
    gpd.GeoDataFrame({"NAME": ["west", "east"]}, geometry=shapes, crs="EPSG:32615").to_file(path)
    path.with_suffix(".prj").unlink()
    folder = tmp_path / "field"
    arguments = ["new", folder, "--boundary", path, "--samples", SAMPLE_GEO / "bench" / "soil.csv"]
    refused = vrx(*arguments)
    assert refused.returncode == 3
    assert "boundary_crs" in refused.stderr
    arguments += ["--boundary-crs", "EPSG:32615"]
    refused = vrx(*arguments)
    assert refused.returncode == 3
    assert "boundary_name" in refused.stderr
    assert 'several = "join"' in refused.stderr
    done = vrx(*arguments, *option)
    assert done.returncode == 0, done.stderr
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    assert line in plan
    assert 'boundary_crs = "EPSG:32615"' in plan
    # 400 m x 400 m at the central meridian, where UTM shrinks lengths by 0.9996.
    acres = 160_000 / 0.9996**2 / 4046.8564224 * (2 if option == ["--join"] else 1)
    assert f"{acres:,.2f} ac" in done.stdout


def test_files_alone_with_a_page_and_a_signature(
    bench: Path, tmp_path: Path, svg_laws: ModuleType
) -> None:
    folder = Path(shutil.copytree(bench, tmp_path / "my bench"))
    current = json.loads((folder / "output" / "current.json").read_text(encoding="utf-8"))["run"]
    run = folder / "output" / current
    lone = tmp_path / "lone"
    lone.mkdir()
    for name in ("prescription.geojson", "order.csv"):
        shutil.copy(run / name, lone / name)
    (lone / "stated.toml").write_text(
        '[column.P1_KCL_LB]\nproduct = "muriate of potash 0-0-60"\n', encoding="utf-8")
    page = tmp_path / "audit.html"
    done = vrx("audit", lone / "prescription.geojson", lone / "order.csv", "--stated",
               lone / "stated.toml", "--page", page)
    assert done.returncode == 0, done.stderr
    assert "arithmetic: agrees" in done.stdout
    assert "AGREES" in page.read_text(encoding="utf-8")
    assert svg_laws.faults(page.read_text(encoding="utf-8")) == []
    signed = vrx("sign", folder, "--who", "A. Grower", "--role", "grower", "--at",
                 "2027-04-15T16:30:00-06:00")
    assert signed.returncode == 0, signed.stderr
    seal = signed.stdout.split()[-1]
    assert vrx("sign", folder, "--check", "--seal", seal).returncode == 0
    assert vrx("sign", folder, "--check", "--seal", "0" * 64).returncode == 8
    with (run / "order.csv").open("a", encoding="utf-8") as stream:
        stream.write("\n")
    done = vrx("sign", folder, "--check")
    assert done.returncode == 8
    assert "order.csv" in done.stderr
    refused = vrx("sign", folder, "--who", "A. Grower", "--role", "grower", "--at",
                  "2027-04-16T08:00:00-06:00")
    assert refused.returncode == 3
    assert "audit-file-changed" in refused.stderr
    accepted = vrx("sign", folder, "--who", "A. Grower", "--role", "grower", "--at",
                   "2027-04-16T08:00:00-06:00", "--accept",
                   "audit-file-changed=a blank line = no harm", "--accept",
                   "arithmetic=the file's own hash")
    assert accepted.returncode == 0, accepted.stderr
    assert vrx("sign", folder, "--check").returncode == 0
