"""Awkward files in the step Files: each is led to a plan, or says plainly what to do in the app.

Outside facts: RFC 7946 (GeoJSON, longitude first, polygons closed), RFC 2046 5.1.1 (a boundary of
multipart has 1 to 70 characters). Coordinates are invented.
"""

from __future__ import annotations

import errno
import io
import json
import os
import re
import shutil
import zipfile
from pathlib import Path

import pytest

SQUARE = [[-93.594, 41.010], [-93.586, 41.010], [-93.586, 41.016], [-93.594, 41.016],
          [-93.594, 41.010]]
YARD = [[-93.591, 41.012], [-93.590, 41.012], [-93.590, 41.013], [-93.591, 41.013],
        [-93.591, 41.012]]
TIED = [SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3], SQUARE[0]]
SAMPLES = "id,lat,lon,K ppm\n" + "".join(
    f"S{n},{41.0110 + 0.0005 * (n // 4):.4f},{-93.5930 + 0.0015 * (n % 4):.4f},{90 + 7 * n}\n"
    for n in range(12))


def shapes(*made: tuple[str, object]) -> bytes:
    return json.dumps({"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": {"name": f"part {number}"},
         "geometry": {"type": kind, "coordinates": at}}
        for number, (kind, at) in enumerate(made, 1)]}).encode()


def put(desk, name: str, data: bytes) -> None:
    (desk.session.folder / name).write_bytes(data)
    desk.session.look()


def make(desk, **more: str):
    return desk.post("/files/make", {"boundary": "b.geojson", "samples": "", "name": "Trial",
                                     **more}, fetched=True)


@pytest.mark.parametrize(("data", "code", "where", "answer", "acres"), [
    (shapes(("Polygon", [SQUARE]), ("Polygon", [YARD])), "boundary-polygons-inside",
     "inside_polygons", {"inside_polygons": "cut out"}, 108.4),
    (shapes(("Polygon", [SQUARE]), ("Polygon", [YARD])), "boundary-polygons-inside",
     "inside_polygons", {"inside_polygons": "keep"}, 110.8),
    (shapes(("Polygon", [TIED])), "boundary-crosses-itself", "crossing",
     {"crossing": "outline"}, 110.8),
    (shapes(("Polygon", [TIED])), "boundary-crosses-itself", "crossing",
     {"crossing": "as drawn"}, 55.4),
    (shapes(("LineString", [*SQUARE[:4], [-93.594, 41.0103]])), "boundary-line-open", "close_gap",
     {"close_gap": "yes"}, 110.8),
    (shapes(("Polygon", [SQUARE]), ("Polygon", [[[e + 0.02, n] for e, n in SQUARE]])),
     "boundary-several", "boundary_name", {"join": "yes"}, 221.6),
    (shapes(("Polygon", [SQUARE]), ("Polygon", [[[e + 0.02, n] for e, n in SQUARE]])),
     "boundary-several", "boundary_name", {"boundary_name": "part 2"}, 110.8),
])
def test_a_doubtful_outline_is_settled_beside_its_control(  # noqa: PLR0917 - one case
    desk, data, code, where, answer, acres,
):
    put(desk, "b.geojson", data)
    page = desk.client.get("/files").text
    assert f'name="{where}"' in page
    assert 'value="b.geojson"' in page
    told = make(desk).json()["trouble"]
    assert (told["code"], told["where"]) == (code, where)
    # no key of the plan file stands in what to do: a person in a browser types none
    assert "=" not in told["hint"]
    assert "_" not in told["hint"]
    assert not (desk.session.folder / "plan.toml").exists()
    done = make(desk, **answer)
    assert done.status_code == 200, done.text
    found = float(re.search(r"([\d.]+) acres", done.json()["said"])[1])
    assert found == pytest.approx(acres, abs=0.6)
    # and the plan says it, so that the next reading needs no answer
    desk.ready("/files")
    assert desk.session.checked.field.area_ac == pytest.approx(found, abs=0.01)


def test_what_a_file_asks_is_unfolded_without_script_too(desk):
    put(desk, "b.geojson", shapes(("Polygon", [TIED])))
    assert '<details id="make-more" open>' not in desk.client.get("/files").text
    refused = desk.post("/files/make", {"boundary": "b.geojson", "samples": "", "name": "T"})
    assert refused.status_code == 422
    assert '<details id="make-more" open>' in refused.text


def test_a_choice_that_is_none_is_refused(desk):
    put(desk, "b.geojson", shapes(("Polygon", [SQUARE])))
    told = make(desk, crossing="sideways").json()["trouble"]
    assert told["where"] == "crossing"


@pytest.mark.parametrize(("rows", "code"), [
    (SAMPLES.replace("lat,lon", "lon,lat"), "soil-coordinates-exchanged"),
    (re.sub(r",-(\d)", r",\1", SAMPLES), "soil-longitude-sign"),
])
def test_a_remedy_that_vrx_knows_is_one_button(desk, rows, code):
    put(desk, "b.geojson", shapes(("Polygon", [SQUARE])))
    put(desk, "soil.csv", rows.encode())
    assert make(desk, samples="soil.csv").status_code == 200
    page = desk.ready("/files")
    found = [one for one in desk.session.checked.findings if one.severity == "stop"]
    assert [one.code for one in found] == [code]
    assert "vrx answer" not in re.sub(r'name="remedy" value="[^"]*"', "", page)
    [remedy] = re.findall(r'name="remedy" value="([^"]*)"', page)
    refused = desk.post("/files/mend", {"remedy": "vrx answer FOLDER field.season=1999"},
                        fetched=True)
    assert refused.status_code == 422
    done = desk.post("/files/mend", {"remedy": remedy}, fetched=True)
    assert done.status_code == 200, done.text
    page = desk.ready("/files")
    assert not [one for one in desk.session.checked.findings if one.severity == "stop"]
    assert 'name="remedy"' not in page


def test_commands_in_texts_are_those_that_are_written():
    from vrx.formats.answers import command, commands_in

    for answers, drop in (
        ((("soil.longitude_column", "lat"),), ()),
        ((("soil.crs", "EPSG:32615"), ("soil.a.column", "K, ppm \"Höhe\"")), ("soil.b", "soil.c")),
        ((("soil.potassium.depth_in", "[0, 8]"),), ()),
        ((), ("soil.point_order",)),
    ):
        text = f"if that is so: {command(*answers, drop=drop)}; or mend the file"
        [found] = commands_in(text)
        assert (found.answers, found.drop) == (answers, drop)
        assert text.replace(found.text, "X") == "if that is so: X; or mend the file"
    open_ones = (f"Renamed: {command(('soil.k.column', '...'))}; "
                 f"or {command(('soil.k.optional', 'true'))}")
    assert [one.answers for one in commands_in(open_ones)] == [(("soil.k.optional", "true"),)]
    assert not commands_in("vrx answer FOLDER rm -rf; vrx answer FOLDER")


def test_outline_and_samples_in_one_zip(desk):
    made = io.BytesIO()
    points = shapes(*[("Point", [-93.593 + 0.001 * k, 41.012]) for k in range(6)])
    for feature in (loaded := json.loads(points))["features"]:
        feature["properties"] = {"K_ppm": 120}
    with zipfile.ZipFile(made, "w") as packed:
        packed.writestr("job/boundary.geojson", shapes(("Polygon", [SQUARE])))
        packed.writestr("job/samples.geojson", json.dumps(loaded))
        packed.writestr("job/readme.txt", "made for a trial")
    put(desk, "b.zip", made.getvalue())
    page = desk.client.get("/files").text
    assert len(re.findall(r'name="(?:boundary|samples)" value="b\.zip"', page)) == 2
    done = make(desk, boundary="b.zip", samples="b.zip")
    assert done.status_code == 200, done.text
    assert "6 rows of soil tests" in done.json()["said"]


def test_parts_of_a_shapefile_without_it_say_so(desk):
    put(desk, "field.dbf", b"x")
    assert "field.shp is missing" in desk.client.get("/files").text


def test_files_that_are_not_shown_are_counted(desk):
    for number in range(203):
        (desk.session.folder / f"f{number:03}.bin").write_bytes(b"x")
    assert "3 more files lie in the folder" in desk.client.get("/files").text


def test_a_plan_without_soil_tests_is_led_on(desk):
    put(desk, "b.geojson", shapes(("Polygon", [SQUARE])))
    assert make(desk).status_code == 200
    for fields in ({"key": "field.season", "field.season": "2027"},
                   {"key": "sampling.depths_in[1]", "sampling.depths_in[1]:top": "0",
                    "sampling.depths_in[1]:bottom": "8"}):
        page = desk.ready("/files")
        assert "Depth of a bag of soil" in page
        assert "made a mistake" not in page
        assert desk.post("/files/answer", fields, fetched=True).status_code == 200
    assert "A plan for choosing sampling places" in desk.ready("/files")
    for step in ("/samples", "/maps", "/zones", "/needs", "/season", "/hand-over"):
        assert "it has no soil tests yet" in desk.ready(step)
    assert desk.post("/files/places").status_code == 303
    assert re.search(r"in <code>sampling.crew-", desk.ready("/files"))
    put(desk, "soil.csv", SAMPLES.encode())
    assert desk.post("/files/anew").status_code == 303
    assert (desk.session.folder / "plan-before-1.toml").is_file()
    done = make(desk, samples="soil.csv")
    assert "12 rows of soil tests" in done.json()["said"]


def test_a_plan_that_is_broken_by_hand_breaks_no_page(small: Path, tools):
    with tools.open_desk(small) as desk:
        desk.ready("/maps")
        whole = (small / "plan.toml").read_text()
        for broken in (whole + "\n[[[", "", whole + "\n[nonsense]\na = 1\n"):
            (small / "plan.toml").write_text(broken)
            for step in ("/files", "/samples", "/maps", "/zones", "/needs", "/season",
                         "/hand-over"):
                assert "made a mistake" not in desk.ready(step), step
        (small / "plan.toml").write_text(whole)
        assert "<svg" in desk.ready("/maps")


def test_edits_that_cannot_be_read_are_put_aside_by_a_button(small: Path, tools):
    (small / "edits.jsonl").write_bytes(b"\xff\x00\n")
    with tools.open_desk(small) as desk:
        page = desk.ready("/zones")
        assert "in the step Files, under Begin again" in page
        assert "--set-aside" not in page
        assert desk.post("/files/aside").status_code == 303
        assert (small / "edits-set-aside-1.jsonl").read_bytes() == b"\xff\x00\n"
        assert 'data-zone="1"' in desk.ready("/zones")


def test_a_full_disk_or_a_lost_folder_is_told_and_nothing_is_left(desk, monkeypatch):
    from vrx.app import form

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(form.os, "fsync", full)
    told = desk.post("/files/bring", fetched=True, files={"files": ("a.csv", b"id\n1\n")})
    assert told.status_code == 422
    assert told.json()["trouble"]["code"] == "app-file-write"
    assert [one.name for one in desk.session.folder.iterdir()] == [".app.lock"]
    monkeypatch.undo()
    shutil.rmtree(desk.session.folder)
    told = desk.post("/files/bring", fetched=True, files={"files": ("a.csv", b"id\n1\n")})
    assert told.json()["trouble"]["code"] == "app-file-write"
    assert "the folder is not there any more" in desk.client.get("/files").text
    desk.session.folder.mkdir()
    assert "not there any more" not in desk.client.get("/files").text


@pytest.mark.parametrize("length", [71, 5000])
def test_a_boundary_of_multipart_that_is_too_long_is_refused(desk, length):
    told = desk.client.post("/files/bring", content=b"x", headers={
        "origin": desk.origin, "content-type": f"multipart/form-data; boundary={'b' * length}"})
    assert told.status_code == 422


def test_the_address_of_an_action_leads_back_to_its_step(desk):
    told = desk.client.get("/files/make")
    assert (told.status_code, told.headers["location"]) == (303, "/files")
    assert desk.client.get("/files/nothing").status_code == 404
