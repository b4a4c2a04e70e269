"""Every action of the step of zones behind the guard: what it does, and what it refuses.

The measure is outside: `shapely.coverage_is_valid`, areas by shapely, and what the disk holds.
"""

import json
import re
import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

HELP = runpy.run_path(str(Path(__file__).with_name("conftest.py")))
open_desk = HELP["open_desk"]


@pytest.fixture
def desk(small):
    with open_desk(small) as made:
        made.ready("/zones")
        made.folder = small
        yield made


def bench_of(desk):
    desk.session.look()
    return desk.session.bench


def zone(desk, letter):
    return next(one for one in bench_of(desk).zones().zones if one.letter == letter)


def log_of(desk):
    path = desk.folder / "edits.jsonl"
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    return [json.loads(line) for line in text.splitlines()]


def act(desk, action, **fields):
    return desk.post(f"/zones/{action}", {"on": bench_of(desk).state, **fields}, fetched=True)


def judge(desk):
    bench = bench_of(desk)
    polygons = np.array([one.polygon for one in bench.zones().zones], dtype=object)
    whole = bench.live().field.boundary.area
    assert shapely.coverage_is_valid(polygons)
    assert abs(shapely.area(polygons).sum() - whole) <= 1e-9 * whole


def across(polygon):
    west, _, east, _ = polygon.bounds
    north = shapely.get_coordinates(shapely.maximum_inscribed_circle(polygon))[0][1]
    return json.dumps([[west - 5, north], [east + 5, north]])


def test_the_page_tells_every_zone_with_its_numbers(desk):
    text = desk.ready("/zones")
    live = bench_of(desk).live()
    for one in live.zones.zones:
        assert f'data-zone="{one.zone_id}"' in text
        assert f'aria-label="Zone {one.letter}, {one.area_ac:,.2f} ac' in text
        assert f'id="row-{one.zone_id}"' in text
    # K of the first zone with its standard error, as the whole job has them
    reading = bench_of(desk).job().readings["potassium"]
    assert f"{reading.mean[0]:.0f} ± {reading.standard_error[0]:.0f}" in text
    assert f"{live.field.area_ac:,.2f} ac" in text


def test_readings_beside_the_map_are_those_of_the_whole_job(desk):
    from vrx.pipeline.zone_sure import SureMemory

    act(desk, "split", zone=str(zone(desk, "C").zone_id), line=across(zone(desk, "C").polygon))
    bench = bench_of(desk)
    live, job = bench.live(), bench.job()
    memory = SureMemory()
    waiting, none = memory.read(bench.drawn(), live.zones, live.readings, waiting=True)
    assert none is None
    assert np.isnan(waiting["potassium"].standard_error).all()
    for _ in range(2):
        found, told = memory.read(
            bench.drawn(), live.zones, live.readings, waiting=False, base=bench.base())
        for name, whole in job.readings.items():
            assert found[name].standard_error == pytest.approx(whole.standard_error, rel=1e-12)
            assert (found[name].samples == whole.samples).all()
            if whole.class_breaks:
                assert found[name].outside_share == pytest.approx(whole.outside_share, abs=1e-12)
        assert set(told) <= set(job.findings)


def test_split_merge_corner_redraw_undo_and_redo_keep_the_coverage(desk):
    old = zone(desk, "C")
    answer = act(desk, "split", zone=str(old.zone_id), line=across(old.polygon))
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["said"].startswith("Zone C is now zones ")
    assert f"zone-{old.zone_id}" in told["gone"] or f"zone-{old.zone_id}" not in told["parts"]
    judge(desk)
    fresh = [one.zone_id for one in bench_of(desk).zones().zones if one.zone_id > 7]
    answer = act(desk, "merge", zones=json.dumps(fresh))
    assert answer.status_code == 200, answer.text
    judge(desk)
    for way, words in (("undo", "Undone: merge into"), ("undo", "Undone: split into"),
                       ("redo", "Done again: split into")):
        answer = act(desk, way)
        assert answer.json()["said"].startswith(words), answer.text
        judge(desk)
    assert [one["op"] for one in log_of(desk)] == ["split", "merge", "go", "go", "go"]
    assert all(one["at"] for one in log_of(desk))


def test_only_zones_that_changed_are_sent_again(desk):
    page = desk.ready("/zones")
    sums = json.loads(re.search(r'data-sums="([^"]*)"', page)[1].replace("&#34;", '"')
                      .replace("&quot;", '"'))
    old = zone(desk, "F")
    answer = desk.post("/zones/split", {
        "on": bench_of(desk).state, "zone": str(old.zone_id), "line": across(old.polygon),
    }, headers={"x-vrx-parts": json.dumps(sums)})
    assert answer.status_code == 200, answer.text
    shapes = {name for name in answer.json()["parts"] if name.startswith("zone-")
              and name[5:].isdigit()}
    touched = [one for one in bench_of(desk).zones().zones if one.zone_id > 7
               or one.polygon.boundary.intersects(old.polygon.boundary)]
    assert shapes <= {f"zone-{one.zone_id}" for one in touched}
    assert len(shapes) < len(bench_of(desk).zones().zones)
    assert f"zone-{old.zone_id}" in answer.json()["gone"]


def test_a_rate_by_hand_needs_a_reason_of_the_list_and_a_rate_that_may_be(desk):
    from vrx.prescription import rate_reasons

    one = str(zone(desk, "D").zone_id)
    reason = rate_reasons()[0][0]
    good = {"zone": one, "pass": "after-first", "rate": "150", "reason": reason, "words": "seen"}
    for change, said in (
        ({"reason": "because"}, "reason"), ({"rate": "-5"}, "below 0"),
        ({"rate": "much"}, "number"),
        ({"rate": ""}, "empty"), ({"pass": "nothing"}, "no pass"), ({"zone": "99"}, "zone"),
        ({"zone": "1.5"}, "whole"), ({"rate": "1e9"}, ""), ({"words": "x" * 600}, "characters"),
    ):
        answer = act(desk, "rate", **(good | change))
        assert answer.status_code == 422, (change, answer.text)
        assert said in json.dumps(answer.json()["trouble"])
        assert log_of(desk) == []
    assert act(desk, "rate", **good).status_code == 200
    rates = bench_of(desk).live().prescription.passes[0]
    assert [held.rate for held in rates.by_hand] == [150.0]
    assert act(desk, "clear", zone=one, **{"pass": "after-first"}).status_code == 200
    assert bench_of(desk).live().prescription.passes[0].by_hand == ()
    assert act(desk, "clear", zone=one, **{"pass": "after-first"}).status_code == 422


BAD = [
    ("split", {}), ("split", {"letter": "ZZ", "points": "0, 0\n9, 9"}),
    ("split", {"zone": "C", "line": "[[0,0],[1,1]]"}),
    ("split", {"zone": "3", "line": "[[0,0]]"}), ("split", {"zone": "3", "line": "{}"}),
    ("split", {"zone": "3", "line": "[[0,0],[1,\"x\"]]"}),
    ("split", {"zone": "3", "line": "[[0,0],[1,true]]"}),
    ("split", {"zone": "3", "line": "[[0,0],[1e300,1]]"}),
    ("split", {"zone": "3", "line": "[[0,0],[NaN,1]]"}),
    ("split", {"zone": "3", "line": "not json"}),
    ("split", {"zone": "999", "line": "[[0,0],[1,1]]"}),
    ("split", {"zone": "3", "line": json.dumps([[0, 0]] * 2001)}),
    ("split", {"zone": "3", "bearing_deg": "400", "west_ft": "1", "south_ft": "1"}),
    ("split", {"zone": "3", "bearing_deg": "90", "west_ft": "1e9", "south_ft": "1"}),
    ("split", {"zone": "3", "points": "1, 2"}), ("split", {"zone": "3", "points": "a\nb"}),
    ("split", {"zone": "3", "points": "1 2 3\n4 5"}),
    ("merge", {}), ("merge", {"zones": "[1]"}), ("merge", {"zones": "[1, 1]"}),
    ("merge", {"zones": "[1, 99]"}), ("merge", {"zones": "[1, \"2\"]"}),
    ("merge", {"zones": "[1, true]"}), ("merge", {"zones": "{\"a\": 1}"}),
    ("merge", {"zones": "[[1, 2]]"}), ("merge", {"zones": "<script>"}),
    ("corner", {}), ("corner", {"corner": "[0, 0]"}), ("corner", {"corner": "[0]", "to": "[0, 1]"}),
    ("corner", {"corner": "[9e7, 9e7]", "to": "[0, 1]"}),
    ("corner", {"west_ft": "x", "south_ft": "1", "to_west_ft": "1", "to_south_ft": "1"}),
    ("redraw", {"zones": "[1]", "line": "[[0,0],[1,1]]"}),
    ("redraw", {"zones": "[1,2,3]", "line": "[[0,0],[1,1]]"}),
    ("redraw", {"zones": "[1,1]", "line": "[[0,0],[1,1]]"}),
    ("undo", {}), ("redo", {}), ("open", {"zone": "99"}), ("open", {"zone": "x"}),
    ("clear", {"zone": "1", "pass": "nothing"}),
    ("make", {}), ("make", {"zones.from": "soil classes"}), ("make", {"zones.from": "magic"}),
    ("make", {"zones.from": "grid cells"}),
    ("make", {"zones.from": "grid cells", "zones.cell_ac": "-1"}),
    ("make", {"zones.from": "clusters"}), ("make", {"zones.from": "own polygons"}),
    ("make", {"zones.from": "own polygons", "zones.polygons": "../../etc/passwd"}),
    ("make", {"zones.from": "pivot sectors"}),
    ("make", {"zones.from": "whole field", "zones.driving_deg": "720"}),
    ("make", {"zones.from": "whole field", "zones.smallest_ac": "?"}),
    ("make", {"zones.from": "whole field", "zones.cross_with": "whole field"}),
]


@pytest.mark.parametrize(("action", "fields"), BAD, ids=lambda one: str(one)[:60])
def test_bad_input_is_refused_with_words_and_changes_nothing(desk_of_all, action, fields):
    desk = desk_of_all
    plan = (desk.folder / "plan.toml").read_bytes()
    answer = act(desk, action, **fields)
    assert answer.status_code == 422, answer.text[:300]
    trouble = answer.json()["trouble"]
    assert trouble["message"]
    assert trouble["code"]
    assert log_of(desk) == []
    assert (desk.folder / "plan.toml").read_bytes() == plan
    plain = desk.post(f"/zones/{action}", {"on": bench_of(desk).state, **fields})
    assert plain.status_code == 422
    assert "<script>" not in plain.text.replace('<script type="module"', "")


@pytest.fixture(scope="module")
def desk_of_all(tmp_path_factory):
    folder = tmp_path_factory.mktemp("zones") / "field"
    folder.mkdir()
    for one in HELP["KETTLE"].iterdir():
        (folder / one.name).write_bytes(one.read_bytes())
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("cell_m = 5.0", "cell_m = 20.0")
                    .replace('method = "choose"', 'method = "inverse distance"'), encoding="utf-8")
    with open_desk(folder) as made:
        made.ready("/zones")
        made.folder = folder
        yield made


def test_what_was_shown_is_no_longer_so(desk):
    state = bench_of(desk).state
    act(desk, "merge", zones="[1, 2]")
    answer = desk.post("/zones/merge", {"on": state, "zones": "[3, 4]"}, fetched=True)
    assert answer.status_code == 409
    assert answer.json()["parts"]
    assert len(log_of(desk)) == 1


def test_ground_lines_cut_where_the_numbers_say(desk):
    from vrx.pipeline.ground_lines import line_at_bearing, place_from_edges

    field = bench_of(desk).live().field
    west, south, east, north = field.boundary.bounds
    # 1 international foot is 0.3048 m (NIST Handbook 44, appendix C)
    assert place_from_edges(field, west_ft=100, south_ft=10) == pytest.approx(
        (west + 30.48, south + 3.048))
    for bearing, way in ((0, (0, 1)), (90, (1, 0)), (180, (0, -1)), (270, (-1, 0)), (45, (1, 1))):
        first, last = np.array(line_at_bearing(
            field, bearing_deg=bearing, west_ft=1000, south_ft=1000))
        run = (last - first) / np.hypot(*(last - first))
        assert run == pytest.approx(np.array(way) / np.hypot(*way), abs=1e-12)
        line = shapely.LineString([first, last])
        assert line.distance(shapely.Point(west + 304.8, south + 304.8)) < 1e-9
        assert not shapely.box(west, south, east, north).contains(shapely.Point(first))


# ---- how zones are made

def test_other_zones_by_the_form_and_edits_are_set_aside_only_when_that_is_meant(desk):
    act(desk, "merge", zones="[1, 2]")
    form = {"zones.from": "pivot sectors", "zones.sectors.number": "6", "zones.smallest_ac": "1",
            "zones.narrowest_ft": "30"}
    answer = act(desk, "make", **form)
    assert answer.status_code == 422
    assert answer.json()["trouble"]["where"] == "aside"
    assert "1 change made by hand" in answer.json()["trouble"]["message"]
    assert len(log_of(desk)) == 1
    # the field is no [field.pivot], so sectors want a centre: the plan is as it was, byte by byte
    plan = (desk.folder / "plan.toml").read_bytes()
    answer = act(desk, "make", **form, aside="yes")
    assert answer.status_code == 422
    assert "centre" in answer.json()["trouble"]["message"]
    assert (desk.folder / "plan.toml").read_bytes() == plan
    assert len(log_of(desk)) == 1
    answer = act(desk, "make", **{
        "zones.from": "grid cells", "zones.cell_ac": "10", "aside": "yes"})
    assert answer.status_code == 200, answer.text
    assert bench_of(desk).plan.zones.source == "grid cells"
    judge(desk)
    kept = [one.name for one in desk.folder.iterdir() if "edits" in one.name]
    assert kept
    assert log_of(desk) == []


def test_the_form_writes_breaks_and_limits_and_keeps_comments(desk):
    before = (desk.folder / "plan.toml").read_text(encoding="utf-8")
    answer = act(desk, "make", **{
        "zones.from": "soil classes", "zones.nutrients": "potassium",
        "zones.breaks.potassium": "100, 140",
        "zones.smallest_ac": "3", "zones.narrowest_ft": "90", "zones.most_zones": "5",
        "zones.driving_deg": "30"})
    assert answer.status_code == 200, answer.text
    told = bench_of(desk).plan.zones
    assert told.nutrients == ("potassium",)
    assert dict(told.breaks) == {"potassium": (100.0, 140.0)}
    assert (told.smallest_ac, told.narrowest_ft) == (3, 90)
    assert (told.most_zones, told.driving_deg) == (5, 30)
    text = (desk.folder / "plan.toml").read_text(encoding="utf-8")
    assert "# two swaths of the spreader" in text
    assert text.count("#") == before.count("#")
    assert answer.json()["said"].endswith(".")
    again = act(desk, "make", **{
        "zones.from": "soil classes", "zones.nutrients": "potassium",
        "zones.breaks.potassium": "100, 140",
        "zones.smallest_ac": "3", "zones.narrowest_ft": "90", "zones.most_zones": "5",
        "zones.driving_deg": "30"})
    assert "nothing was changed" in again.json()["said"]


@pytest.mark.parametrize("form", [
    {"zones.from": "whole field"},
    {"zones.from": "clusters", "zones.nutrients": "potassium", "zones.clusters.number": "3"},
    {"zones.from": "rate classes", "zones.rate.pass": "after-first",
     "zones.rate.most_classes": "3"},
    {"zones.from": "grid cells", "zones.cell_ac": "15"},
], ids=lambda one: one["zones.from"])
def test_sources_of_zones_can_be_chosen(desk, form):
    answer = act(desk, "make", **form)
    assert answer.status_code == 200, answer.text
    assert bench_of(desk).plan.zones.source == form["zones.from"]
    judge(desk)


# ---- storms

STEPS = st.lists(st.tuples(
    st.sampled_from(["split", "merge", "corner", "redraw", "undo", "redo", "rate"]),
    st.floats(0, 1), st.floats(0, 1), st.floats(0, 6.28)), min_size=3, max_size=8)


@settings(max_examples=8, deadline=None, derandomize=True, phases=[Phase.generate],
          suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(storm=STEPS)
def test_a_storm_of_edits_keeps_a_true_coverage(storm_desk, storm):
    desk = storm_desk
    (desk.folder / "edits.jsonl").unlink(missing_ok=True)
    for what, one, two, turn in storm:
        bench = bench_of(desk)
        zones = bench.zones().zones
        first = zones[int(one * (len(zones) - 1))]
        other = zones[int(two * (len(zones) - 1))]
        middle = shapely.get_coordinates(shapely.maximum_inscribed_circle(first.polygon))[0]
        way = 900 * np.array([np.cos(turn), np.sin(turn)])
        line = json.dumps([(middle - way).tolist(), (middle + way * two).tolist(),
                           (middle + way).tolist()])
        corner = shapely.get_coordinates(first.polygon)[int(two * 7) % 5]
        answer = act(desk, what, **{
            "split": {"zone": str(first.zone_id), "line": line},
            "merge": {"zones": json.dumps([first.zone_id, other.zone_id])},
            "corner": {"corner": json.dumps(corner.tolist()),
                       "to": json.dumps((corner + way / 100).tolist())},
            "redraw": {"zones": json.dumps([first.zone_id, other.zone_id]), "line": line},
            "undo": {}, "redo": {},
            "rate": {"zone": str(first.zone_id), "pass": "after-first",
                     "rate": str(round(two * 30) * 10), "reason": "wet or sandy spot"},
        }[what])
        assert answer.status_code in (200, 422), answer.text[:400]
        judge(desk)
        if answer.status_code == 200:
            live = bench_of(desk).live()
            told = live.prescription.passes[0]
            total = float((told.rates * np.array(live.prescription.zone_area_ac)).sum())
            assert told.prescription_total == pytest.approx(total, rel=1e-12)


@pytest.fixture(scope="module")
def storm_desk(tmp_path_factory):
    folder = tmp_path_factory.mktemp("storm") / "field"
    folder.mkdir()
    for one in HELP["KETTLE"].iterdir():
        (folder / one.name).write_bytes(one.read_bytes())
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("cell_m = 5.0", "cell_m = 20.0")
                    .replace('method = "choose"', 'method = "inverse distance"'), encoding="utf-8")
    with open_desk(folder) as made:
        made.ready("/zones")
        made.folder = folder
        yield made
