"""A plan whose points, water, plant tests and manure come as tables: the same rates as by hand."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from vrx.cli import cli
from vrx.errors import InputError, PlanError
from vrx.pipeline import RunResult, check_field, run_field
from vrx.plan import load_plan


class Kettle:
    """The kettle field's plan, changed piece by piece."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = folder / "plan.toml"

    def change(self, old: str, new: str) -> Kettle:
        text = self.file.read_text(encoding="utf-8")
        assert old in text, old
        self.file.write_text(text.replace(old, new, 1), encoding="utf-8")
        return self

    def section(self, name: str, new: str) -> Kettle:
        """Replace a section up to the next heading."""
        text = self.file.read_text(encoding="utf-8")
        start = text.index(f"[{name}]\n")
        end = text.index("\n[", start)
        self.file.write_text(text[:start] + new + text[end:], encoding="utf-8")
        return self

    def write(self, name: str, *lines: str) -> Kettle:
        (self.folder / name).write_text("\n".join(lines), encoding="utf-8")
        return self

    def apart(self) -> Kettle:
        """Positions into points.geojson, results into a table without coordinates."""
        with (self.folder / "soil.csv").open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        features = [
            {"type": "Feature", "properties": {"Spot": row["sample_id"]},
             "geometry": {"type": "Point", "coordinates": [float(row["longitude"]),
                                                            float(row["latitude"])]}}
            for row in rows]
        (self.folder / "points.geojson").write_text(
            json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
        keep = [key for key in rows[0] if key not in {"longitude", "latitude"}]
        with (self.folder / "soil.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, keep, extrasaction="ignore")
            writer.writeheader()
            writer.writerows(rows)
        text = self.file.read_text(encoding="utf-8")
        kept = [line for line in text.splitlines()
                if not line.startswith(("longitude_column", "latitude_column"))]
        text = "\n".join(kept)
        at = text.index("[soil.potassium]")
        points = '[soil.points]\nfile = "points.geojson"\nid_column = "Spot"\n\n'
        self.file.write_text(text[:at] + points + text[at:], encoding="utf-8")
        return self

    def run(self) -> RunResult:
        return run_field(self.folder)


@pytest.fixture
def kettle(copy_of: Callable[[str], Path]) -> Kettle:
    return Kettle(copy_of("kettle"))


def steps(result: RunResult) -> list[list[int]]:
    return [[int(s) for s in one.steps] for one in result.job.prescription.passes]


def needs(result: RunResult, nutrient: str = "S") -> list[float]:
    return [one.lb_per_ac for one in result.job.needs[nutrient]]


def told(result: RunResult, code: str) -> str:
    return "; ".join(one.what for one in result.job.findings if one.code == code)


def test_points_in_their_own_file_give_the_same_rates(
    kettle: Kettle, runs: dict[str, RunResult]
) -> None:
    result = kettle.apart().run()
    assert steps(result) == steps(runs["kettle"])
    inputs = {one["path"] for one in result.manifest["inputs"]}
    assert {"points.geojson", "soil.csv"} <= inputs
    answer = CliRunner().invoke(cli, ["check", str(kettle.folder)])
    assert answer.exit_code == 0, answer.output
    assert "samples of soil.csv have their position here" in " ".join(answer.output.split())
    assert check_field(kettle.folder).to_json()["joined"]


WATER = """[water]

[water.table]
file = "water.csv"
id_column = "Source"
date_column = "Date"
net_in_of = { Well = 10.0, Canal = 12 }

[water.table.sulfate]
column = "SO4"
unit = "mg/L"
form = "SO4"

[water.table.ec]
column = "EC"
unit = "mmhos/cm"
"""


def test_water_by_table_is_water_by_figure(kettle: Kettle) -> None:
    kettle.write("water.csv", "Source;Date;SO4;EC", "Well;2026-05-02;60;0,9",
                 "Canal;2026-06-01;12,5;0,2").section("water", WATER)
    by_table = kettle.run()
    mean = (60 * 10 + 12.5 * 12) / 22
    kettle.section("water.table.ec", "").section("water.table.sulfate", "")
    kettle.section("water.table", "").section(
        "water", f"[water]\nnet_in = 22.0\nsulfate_so4_ppm = {mean!r}\n")
    by_hand = kettle.run()
    assert needs(by_table) == pytest.approx(needs(by_hand), rel=1e-12)
    assert steps(by_table) == steps(by_hand)
    assert "Well" not in told(by_hand, "test-water-source")
    assert "20 ppm" not in told(by_table, "test-water-source")
    assert "60 mg/L SO4 = 20.03 ppm SO4-S x 10 in net x 0.22661 = 45.4 lb S/ac" in told(
        by_table, "test-water-source")
    assert by_table.folder != by_hand.folder


def test_water_tables_that_do_not_fit_are_faults_of_the_plan_or_the_file(kettle: Kettle) -> None:
    kettle.write("water.csv", "Source,Date,SO4,EC", "Well,2026-05-02,60,900").section(
        "water", WATER)
    checked = None
    with pytest.raises(InputError) as caught:
        checked = check_field(kettle.folder)
    assert checked is None
    assert caught.value.code == "test-water-source-unknown"
    assert "[water.table]" in caught.value.hint
    kettle.change("[water]\n", "[water]\nnet_in = 22.0\n")
    with pytest.raises(PlanError, match="one of net_in"):
        load_plan(kettle.file)
    kettle.change("net_in = 22.0\n", "sulfate_s_ppm = 2.0\n")
    with pytest.raises(PlanError, match="keep one"):
        load_plan(kettle.file)


def test_a_table_of_one_water_takes_net_in_of_the_section(kettle: Kettle) -> None:
    kettle.write("water.csv", "SO4", "30").section("water", (
        '[water]\nnet_in = 20.0\n[water.table]\nfile = "water.csv"\nsampled_on = 2026-05-01\n'
        '[water.table.sulfate]\ncolumn = "SO4"\nunit = "ppm"\nform = "SO4"\n'))
    assert "x 20 in net" in told(kettle.run(), "test-water-source")


def test_manure_by_table_is_manure_by_figure(kettle: Kettle) -> None:
    text = kettle.file.read_text(encoding="utf-8")
    by_hand = "[manure]\ntons_per_ac = 4.0\ns_lb_per_ton = 3.2\navailable_share = 0.5\n\n"
    kettle.change("[yield_goal]", by_hand + "[yield_goal]")
    hand = kettle.run()
    kettle.file.write_text(text, encoding="utf-8")
    kettle.write("manure.csv", "Pile,S,Moisture", "North,0.5,68", "South,0.9,70")
    table = ('[manure]\ntons_per_ac = 4.0\navailable_share = 0.5\n[manure.table]\n'
             'file = "manure.csv"\nid_column = "Pile"\nsample = "North"\nbasis = "dry matter"\n'
             '[manure.table.sulfur]\ncolumn = "S"\nunit = "%"\nform = "S"\n'
             '[manure.table.moisture]\ncolumn = "Moisture"\nunit = "%"\n\n')
    kettle.change("[yield_goal]", table + "[yield_goal]")
    result = kettle.run()
    assert needs(result) == pytest.approx(needs(hand))
    assert told(result, "manure-analysis").startswith("0.5 % S = 10 lb S /ton of dry matter")


TISSUE = """[tissue]
part = "top 6 in"
stage = "bud to first flower"

[tissue.table]
file = "plants.csv"
id_column = "Spot"
sampled_on = 2026-06-01
zone_column = "Zone"

[tissue.table.sulfur]
column = "S"
unit = "g/kg"
form = "S"

"""


def test_plant_tests_by_zone_reach_the_rule(kettle: Kettle, runs: dict[str, RunResult]) -> None:
    # University of Wisconsin (2012): below 0.25 % S in the top 6 in, 25 lb S/ac, else none.
    letters = [zone.letter for zone in runs["kettle"].job.zones.zones]
    low = letters[-1]
    kettle.write("plants.csv", "Spot;S;Zone", *(
        f"P{n};{'1,9' if letter == low else '3,1'};{letter}" for n, letter in enumerate(letters)))
    kettle.section("tissue", TISSUE).change('book = "sulfur-balance"', 'book = "tissue-sulfur"')
    result = kettle.run()
    assert needs(result) == [25.0 if letter == low else 0.0 for letter in letters]
    assert f"{len(letters)} tests, lowest 0.19 % at P{len(letters) - 1}" in told(
        result, "test-tissue-mean")
    kettle.write("plants.csv", "Spot,S,Zone", "P1,2.1,North")
    with pytest.raises(PlanError) as caught:
        kettle.run()
    assert caught.value.code == "test-tissue-zone-unknown"


def test_a_field_mean_of_plant_tests_reaches_every_zone(kettle: Kettle) -> None:
    kettle.write("plants.csv", "Spot,S,Zone", "P1,2.1,", "P2,2.7,").section(
        "tissue", TISSUE.replace('zone_column = "Zone"\n', ""))
    kettle.change('book = "sulfur-balance"', 'book = "tissue-sulfur"')
    result = kettle.run()
    assert set(needs(result)) == {25.0}
    assert "mean 0.24 % of dry matter, 2 tests, lowest 0.21 % at P1" in (
        told(result, "test-tissue-mean"))


def test_a_draft_reads_the_tables_that_are_complete(kettle: Kettle) -> None:
    kettle.write("water.csv", "Source,SO4 mg/L,Cl", "Well 3,48,12")
    kettle.section("water", """[water]
net_in = 24.0

[water.table]
file = "water.csv"
id_column = "Source"
sulfate = { column = "SO4 mg/L", unit = "mg/L", form = "SO4" }
chloride = { column = "Cl", unit = "?" }
""")
    checked = check_field(kettle.folder)
    assert any("Well 3" in line for line in checked.joined)
    told = next(f for f in checked.findings if f.code == "test-not-yet-read")
    assert "water.table.chloride.unit" in told.what
    kettle.change("net_in = 24.0", 'net_in = "?"')
    checked = check_field(kettle.folder)
    assert checked.joined == ()
    assert "water.net_in" in next(
        f.what for f in checked.findings if f.code == "test-not-yet-read")
    # A fault of the table is told before the rest of the plan is filled in.
    kettle.change('net_in = "?"', "net_in = 24.0").write("water.csv", "Source,SO4,Cl", "W,48,12")
    assert any(f.severity == "stop" and "SO4 mg/L" in f.what
               for f in check_field(kettle.folder).findings)
