"""From an unseen table to a plan that runs, by answers; positions proposed and then applied.

The field is a square about 41 N, 93.59 W; true positions are set here, so that every reading of
the coordinates that is proposed can be compared with them. UTM by pyproj (EPSG:32615).
"""

from __future__ import annotations

import json
import re
import shlex
import tomllib
from pathlib import Path

import pyproj
import pytest

from vrx.errors import PlanError
from vrx.model import Finding
from vrx.pipeline import answer_field, check_field, new_plan

WEST, SOUTH = -93.594, 41.010
PLACES = [(WEST + 0.0015 * i + 0.0007, SOUTH + 0.0015 * j + 0.0007)
          for j in range(4) for i in range(4)]


def square(path: Path, sign: tuple[int, int] = (1, 1)) -> Path:
    ring = [[sign[0] * x, sign[1] * y] for x, y in (
        (WEST, SOUTH), (WEST + 0.0065, SOUTH), (WEST + 0.0065, SOUTH + 0.0065),
        (WEST, SOUTH + 0.0065), (WEST, SOUTH))]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [{
        "type": "Feature", "properties": {"name": "sq"},
        "geometry": {"type": "Polygon", "coordinates": [ring]}}]}))
    return path


def drafted(tmp_path: Path, heads: str, pairs: list[tuple[float, float]],
            sign: tuple[int, int] = (1, 1)) -> Path:
    lines = [f"sample_id,{heads},K_M3_ppm"]
    lines += [f"S{n:02},{a:.7f},{b:.7f},{120 + 5 * n}" for n, (a, b) in enumerate(pairs)]
    (tmp_path / "soil.csv").write_text("\n".join(lines) + "\n")
    new_plan(tmp_path / "f", boundary=square(tmp_path / "b.geojson", sign),
             samples=tmp_path / "soil.csv")
    return tmp_path / "f"


def stop_of(folder: Path) -> Finding:
    found = [one for one in check_field(folder).findings if one.severity == "stop"]
    assert len(found) == 1
    return found[0]


def apply(folder: Path, todo: str) -> None:
    """Type the command that a finding prints."""
    words = shlex.split(todo.partition("vrx answer FOLDER ")[2].rstrip("."))
    drop = [words[k + 1] for k, word in enumerate(words) if word == "--drop"]
    pairs = [(k, v) for word in words if "=" in word for k, _, v in [word.partition("=")]]
    assert pairs
    answer_field(folder, pairs, drop=drop)


def lonlat_to_utm() -> list[tuple[float, float]]:
    to_utm = pyproj.Transformer.from_crs(4326, 32615, always_xy=True)
    return [to_utm.transform(*place) for place in PLACES]


CASES = {
    "swapped": ("lon,lat", [(y, x) for x, y in PLACES], (1, 1), "soil-coordinates-exchanged",
                "soil-columns-exchanged"),
    "no minus": ("lon,lat", [(-x, y) for x, y in PLACES], (1, 1), "soil-longitude-sign",
                 "soil-longitudes-made-west"),
    "a minus too much": ("lon,lat", PLACES, (-1, 1), "soil-longitude-sign",
                         "soil-longitudes-made-east"),
    "south without minus": ("lon,lat", PLACES, (1, -1), "soil-latitude-sign",
                            "soil-latitudes-made-south"),
    "both without minus": ("lon,lat", [(-x, y) for x, y in PLACES], (1, -1), "soil-latitude-sign",
                           "soil-latitudes-made-south"),
    "swapped without minus": ("lon,lat", [(y, -x) for x, y in PLACES], (1, 1),
                              "soil-coordinates-exchanged", "soil-longitudes-made-west"),
    "metres in degrees": ("lon,lat", lonlat_to_utm(), (1, 1), "soil-not-degrees",
                          "soil-crs-stated"),
    "metres swapped": ("lon,lat", [(n, e) for e, n in lonlat_to_utm()], (1, 1),
                       "soil-not-degrees", "soil-crs-stated"),
}


@pytest.mark.parametrize("name", list(CASES))
def test_a_position_proposal_names_keys_that_work_and_are_told_when_applied(
    name: str, tmp_path: Path
) -> None:
    heads, pairs, sign, code, told = CASES[name]
    folder = drafted(tmp_path, heads, pairs, sign)
    proposed = stop_of(folder)
    assert proposed.code == code
    assert "16 of 16" in proposed.what
    apply(folder, proposed.todo)
    after = check_field(folder).findings
    assert not [one for one in after if one.severity == "stop"]
    assert told in {one.code for one in after}


def test_the_wrong_zone_is_proposed_and_applied(tmp_path: Path) -> None:
    folder = drafted(tmp_path, "easting,northing", lonlat_to_utm())
    answer_field(folder, [("soil.easting_column", "easting"), ("soil.northing_column", "northing"),
                          ("soil.crs", "EPSG:32614")],
                 drop=["soil.longitude_column", "soil.latitude_column"])
    proposed = stop_of(folder)
    assert proposed.code == "soil-wrong-crs"
    assert "16 of 16 inside if they are WGS 84 / UTM zone 15N" in proposed.what
    apply(folder, proposed.todo)
    assert tomllib.loads((folder / "plan.toml").read_text())["soil"]["crs"] == "EPSG:32615"
    assert not [one for one in check_field(folder).findings if one.severity == "stop"]


def test_nothing_of_positions_is_applied_by_take_proposals(tmp_path: Path) -> None:
    folder = drafted(tmp_path, "lon,lat", [(-x, y) for x, y in PLACES])
    done, _ = answer_field(folder, [], take_proposals=True)
    assert {one.key for one in done.changes} == {"soil.potassium.unit", "soil.potassium.extractant"}
    assert stop_of(folder).code == "soil-longitude-sign"


def test_take_proposals_fills_what_the_file_states_and_no_guess(tmp_path: Path) -> None:
    folder = drafted(tmp_path, "lon,lat", PLACES)
    done, sources = answer_field(folder, [], take_proposals=True)
    assert [(c.key, c.before, c.after) for c in done.changes] == [
        ("soil.potassium.unit", '"?"', '"ppm"'),
        ("soil.potassium.extractant", '"?"', '"mehlich-3"')]
    assert sources == ("soil.potassium.unit: the heading",
                       "soil.potassium.extractant: the heading")
    # The bare symbol does not state the form, and nothing states the depth.
    assert {"soil.potassium.form", "soil.potassium.depth_in[1]"} <= set(done.open_keys)
    again, _ = answer_field(folder, [], take_proposals=True)
    assert not again.changes


def test_take_proposals_never_changes_a_stated_line(tmp_path: Path) -> None:
    folder = drafted(tmp_path, "lon,lat", PLACES)
    answer_field(folder, [("soil.potassium.unit", "lb/ac")])
    answer_field(folder, [], take_proposals=True)
    soil = tomllib.loads((folder / "plan.toml").read_text())["soil"]
    assert soil["potassium"]["unit"] == "lb/ac"


def test_ranges_and_doubts_follow_the_unit_that_the_plan_states(tmp_path: Path) -> None:
    folder = drafted(tmp_path, "lon,lat", PLACES)
    answer_field(folder, [("soil.potassium.unit", "meq/100 g"), ("soil.potassium.form", "K")])
    mapping = check_field(folder).mapping
    assert mapping is not None
    judged = mapping.blocks[0].numbers.judged
    assert judged.unit == "meq/100 g"
    # 1 meq K/100 g is 391 ppm (molar mass 39.10, IUPAC abridged 2021): 3000 ppm is 7.67 meq.
    assert judged.plausible == pytest.approx((0, 7.67), abs=0.01)
    assert any("it would fit ppm K" in doubt for doubt in judged.doubts)


def test_a_column_that_the_table_lacks_is_refused_with_the_nearest(tmp_path: Path) -> None:
    folder = drafted(tmp_path, "lon,lat", PLACES)
    with pytest.raises(PlanError) as caught:
        answer_field(folder, [("soil.potassium.column", "K_M3_pm")])
    assert caught.value.code == "answer-column-missing"
    assert "K_M3_ppm" in caught.value.hint
    answer_field(folder, [("soil.potassium.column", "column 4")])
    done, _ = answer_field(folder, [("soil.potassium.column", '"K_M3_ppm"')])
    assert [one.after for one in done.changes] == ['"K_M3_ppm"']


LONG = "Sample ID,Lat,Lon,Depth (in),Analyte,Method,Result,Unit"


def test_a_long_table_is_drafted_and_answered(tmp_path: Path) -> None:
    rows = [LONG]
    for n, (x, y) in enumerate(PLACES):
        rows += [f"S{n},{y:.6f},{x:.6f},0-6,K,Mehlich 3,{120 + n},ppm",
                 f"S{n},{y:.6f},{x:.6f},0-6,SO4-S,Mono-calcium phosphate,7.5,ppm"]
    (tmp_path / "soil.csv").write_text("\n".join(rows) + "\n")
    new_plan(tmp_path / "f", boundary=square(tmp_path / "b.geojson"),
             samples=tmp_path / "soil.csv")
    folder = tmp_path / "f"
    done, _ = answer_field(folder, [
        ("soil.potassium.form", "K"), ("field.season", "2027"), ("soil.lab", "Invented"),
        ("soil.report_number", "1"), ("soil.sampled_on", "2026-10-14")],
        drop=["soil.date_column"], take_proposals=True)
    assert not [key for key in done.open_keys if key.startswith("soil")]
    checked = check_field(folder)
    readings = {one.analyte: (one.extractant, one.depth_in, one.samples, one.mean)
                for one in checked.readings}
    assert readings == {"potassium": ("mehlich-3", (0, 6), 16, 127.5),
                        "sulfate": ("calcium phosphate", (0, 6), 16, 7.5)}


def test_two_depths_are_asked_for_with_their_labels(tmp_path: Path) -> None:
    rows = ["id,lat,lon,depth,K_ppm"]
    for n, (x, y) in enumerate(PLACES):
        rows += [f"S{n},{y},{x},0-6 in,{120 + n}", f"S{n},{y},{x},6-24 in,{60 + n}"]
    (tmp_path / "soil.csv").write_text("\n".join(rows) + "\n")
    new_plan(tmp_path / "f", boundary=square(tmp_path / "b.geojson"),
             samples=tmp_path / "soil.csv")
    text = (tmp_path / "f" / "plan.toml").read_text()
    assert "# One of: 0-6 in, 6-24 in" in text
    answer_field(tmp_path / "f", [
        ("soil.depth", "0-6 in"), ("soil.potassium.form", "K"), ("field.season", "2027"),
        ("soil.potassium.extractant", "mehlich-3"), ("soil.lab", "L"), ("soil.report_number", "1"),
        ("soil.sampled_on", "2026-10-14")], drop=["soil.date_column"], take_proposals=True)
    reading = check_field(tmp_path / "f").readings[0]
    assert (reading.samples, reading.mean, reading.depth_in) == (16, 127.5, (0, 6))


def test_the_json_holds_sources_doubts_and_keys(tmp_path: Path) -> None:
    folder = drafted(tmp_path, "lon,lat", PLACES)
    told = json.loads(json.dumps(check_field(folder).to_json(), allow_nan=False))
    potassium = next(one for one in told["mapping"]["analytes"] if one["analyte"] == "potassium")
    lines = {one["key"]: one for one in potassium["lines"]}
    assert lines["soil.potassium.unit"]["source"] == "the heading"
    assert lines["soil.potassium.form"]["suggested"] == "K"
    assert potassium["numbers"]["plausible"] == "0 to 3000 ppm"
    assert potassium["numbers"]["values"] == 16
    assert re.match("vrx answer FOLDER ", potassium["answer"])
    assert any("field.season=..." in one for one in told["answers"])
