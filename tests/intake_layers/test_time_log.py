"""Time logs: an encoder of our own for the tests, npm isoxml 1.11.2 and worked bytes as references.

The encoder below is written from the published layout with `struct` alone and shares no line with
the decoder.
"""

from __future__ import annotations

import json
import os
import shutil
import struct
import subprocess
import time
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import read_time_logs

KINDS = {"A": "i", "B": "i", "C": "i", "D": "B", "E": "H", "F": "H", "G": "B", "H": "I", "I": "H"}
RECORD = """<?xml version="1.0" encoding="UTF-8"?>
<ISO11783_TaskData VersionMajor="4" VersionMinor="3" ManagementSoftwareManufacturer="demo"
 ManagementSoftwareVersion="0.1" TaskControllerManufacturer="none" TaskControllerVersion="0"
 DataTransferOrigin="2">
 <DVC A="DVC1" B="Spreader" D="A00080000CE00000" F="31303030303030" G="656E50000000FF">
  <DET A="DET1" B="1" C="1" D="whole" E="0" F="0"/><DET A="DET2" B="2" C="2" D="bin" E="1" F="1"/>
 </DVC>
 <TSK A="TSK1" B="potash" G="4"><TLG A="TLG00001" C="1"/></TSK>
</ISO11783_TaskData>
"""


def header(attributes: dict[str, str | None], values: list[tuple[str, str]]) -> str:
    """`attributes` of PTN; None leaves the attribute out, "" puts it into the binary."""
    said = " ".join(f'{k}="{v}"' for k, v in attributes.items() if v is not None)
    lines = "".join(f'<DLV A="{ddi}" B="" C="{element}"/>' for ddi, element in values)
    position = f"<PTN {said}/>" if said else ""
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<TIM A="" D="4">{position}{lines}</TIM>'


def encode(attributes: dict[str, str | None], records) -> bytes:
    """Records are (ms, days, {attribute: raw}, [(index, raw), ...])."""
    made = bytearray()
    for ms, days, place, values in records:
        made += struct.pack("<IH", ms, days)
        for name, kind in KINDS.items():
            if attributes.get(name) == "":
                made += struct.pack("<" + kind, place[name])
        made += struct.pack("<B", len(values))
        for index, raw in values:
            made += struct.pack("<Bi", index, raw)
    return bytes(made)


def folder(tmp_path: Path, xml: str, data: bytes, record: str = RECORD) -> Path:
    home = tmp_path / "TASKDATA"
    home.mkdir(exist_ok=True)
    (home / "TASKDATA.XML").write_text(record, encoding="utf-8")
    (home / "TLG00001.xml").write_text(xml, encoding="utf-8")
    (home / "TLG00001.bin").write_bytes(data)
    return home


HERE = {"A": "", "B": "", "D": ""}
RATE = [("0007", "DET1"), ("0043", "DET1"), ("008D", "DET2")]


def drive(count: int) -> list:
    start = 36_000_000
    return [(start + 1000 * k, 16906, {"A": 412_000_000 + k, "B": -965_000_000 + 2 * k, "D": 4},
             [(0, 11209 + k), *([(1, 18_288), (2, 1)] if k == 0 else []),
              *([(2, k % 2)] if k % 5 == 0 else [])]) for k in range(count)]


@pytest.mark.parametrize("attributes", [HERE, dict.fromkeys("ABCDEFGHI", ""),
                                        {"A": "41.25", "B": "", "C": "300", "D": "2", "E": ""}])
def test_the_headers_of_these_tests_are_valid(attributes: dict[str, str | None]) -> None:
    # Schema of version 4.3 in PyPI isoxml-writer 0.0.3 (MIT).
    from importlib.util import find_spec

    from lxml import etree

    spec = find_spec("isoxml_writer")
    assert spec is not None
    assert spec.origin is not None
    schema = etree.XMLSchema(etree.parse(
        str(Path(spec.origin).parent / "ISOXML_schema" / "ISO11783_TimeLog_V4-3.xsd")))
    schema.assertValid(etree.fromstring(header(attributes, RATE).encode()))


def test_worked_bytes() -> None:
    # By hand from the layout: 2026-04-15 is day 16906 since 1980-01-01 (0x420A), 10:00:00 is
    # 36,000,000 ms (0x02255100); 41.2 degrees are 412,000,000 (0x188E9F00), 11209 is 0x2BC9.
    data = bytes.fromhex("00512502 0a42 009f8e18 c0447bc6 04 01 00 c92b0000".replace(" ", ""))
    assert encode(HERE, [(36_000_000, 16906, {"A": 412_000_000, "B": -965_000_000, "D": 4},
                          [(0, 11209)])]) == data
    assert len(data) == 16 + 5


def test_a_log_is_read_with_values_that_stick(tmp_path: Path) -> None:
    home = folder(tmp_path, header(HERE, RATE), encode(HERE, drive(20)))
    (log,) = read_time_logs(path=tmp_path)
    assert (log.task, log.task_name, log.file) == ("TSK1", "potash", "TLG00001.bin")
    assert log.time[0] == np.datetime64("2026-04-15T10:00:00.000")
    assert log.time[-1] - log.time[0] == np.timedelta64(19, "s")
    assert log.latitude_deg[0] == 41.2
    assert log.longitude_deg[1] == -96.4999998
    assert set(log.status) == {4}
    width = log.value("0043")
    assert width.fresh.tolist() == [True] + [False] * 19
    assert set(width.raw) == {18_288.0}
    # 60 ft are 18,288 mm; 11209 mg/m2 are 100.0044 lb/ac (NIST SP 811).
    applied = log.applied("lb/ac")
    assert applied.rate[0] == pytest.approx(100.00436, abs=1e-5)
    assert applied.width_m / 0.3048 == pytest.approx(np.full(20, 60.0))
    assert applied.time_s.tolist() == list(range(20))
    # The state is logged at every fifth record, twice at the first, where the last one counts.
    assert applied.working.tolist() == [k // 5 * 5 % 2 == 1 for k in range(20)]
    assert [one.code for one in log.findings] == ["time-log-clock"]
    assert read_time_logs(path=home / "TLG00001.xml")[0].task == ""


def test_liquids_are_read_in_gallons(tmp_path: Path) -> None:
    xml = header(HERE, [("0002", "DET1")])
    folder(tmp_path, xml, encode(HERE, [(0, 16906, {"A": 1, "B": 1, "D": 1}, [(0, 935_396)])]))
    log = read_time_logs(path=tmp_path)[0]
    assert log.rate("gal/ac")[0] == pytest.approx(10.0, abs=5e-6)
    with pytest.raises(InputError, match="0002 of DET1") as caught:
        log.rate("lb/ac")
    assert caught.value.code == "time-log-ddi"
    with pytest.raises(InputError, match="no unit"):
        log.rate("kg/ha")


def test_several_elements_must_be_named(tmp_path: Path) -> None:
    xml = header(HERE, [("0007", "DET1"), ("0007", "DET2")])
    folder(tmp_path, xml, encode(HERE, [
        (0, 16906, {"A": 1, "B": 1, "D": 1}, [(0, 112), (1, 224)])]))
    log = read_time_logs(path=tmp_path)[0]
    with pytest.raises(InputError, match="DET1, DET2") as caught:
        log.applied("lb/ac")
    assert caught.value.code == "time-log-element"
    assert log.applied("lb/ac", element="DET2").rate[0] == pytest.approx(1.998, abs=1e-3)


def test_attributes_fixed_in_the_header_and_absent_ones(tmp_path: Path) -> None:
    attributes = {"A": "41.25", "B": "", "C": "300", "D": "2", "E": "", "F": None, "G": "7",
                  "H": "", "I": ""}
    place = {"B": -965_000_000, "E": 15, "H": 50_400_000, "I": 16906}
    folder(tmp_path, header(attributes, [("0007", "DET1")]),
           encode(attributes, [(0, 16906, place, [(0, 5)]), (9, 16906, place, [])]))
    log = read_time_logs(path=tmp_path)[0]
    assert log.latitude_deg.tolist() == [41.25, 41.25]
    assert log.longitude_deg.tolist() == [-96.5, -96.5]
    assert log.up_mm.tolist() == [300, 300]
    assert log.status.tolist() == [2, 2]
    assert log.pdop.tolist() == [1.5, 1.5]
    assert np.isnan(log.hdop).all()
    assert log.satellites.tolist() == [7, 7]
    assert log.utc[0] == np.datetime64("2026-04-15T14:00:00.000")
    assert log.value("0007").raw.tolist() == [5, 5]


def test_a_log_without_positions(tmp_path: Path) -> None:
    folder(tmp_path, header({}, [("0007", "DET1")]), encode({}, [(0, 16906, {}, [(0, 5)])]))
    log = read_time_logs(path=tmp_path)[0]
    assert np.isnan(log.latitude_deg).all()
    assert log.status.tolist() == [-1]
    assert "time-log-no-place" in {one.code for one in log.findings}


places = st.fixed_dictionaries({
    "A": st.integers(-900_000_000, 900_000_000), "B": st.integers(-1_800_000_000, 1_800_000_000),
    "C": st.integers(-2**31, 2**31 - 1), "D": st.integers(0, 15), "E": st.integers(0, 65535),
    "F": st.integers(0, 65535), "G": st.integers(0, 255), "H": st.integers(0, 86_399_999),
    "I": st.integers(0, 65535)})
records_of = st.lists(st.tuples(
    st.integers(0, 86_399_999), st.integers(0, 65535), places,
    st.lists(st.tuples(st.integers(0, 4), st.integers(-2**31, 2**31 - 1)), max_size=6)),
    min_size=1, max_size=12)


@settings(max_examples=150, derandomize=True, deadline=None)
@given(records=records_of, inside=st.sets(st.sampled_from("CDEFGHI")))
def test_whatever_is_encoded_is_decoded(
    tmp_path_factory: pytest.TempPathFactory, records: list, inside: set[str]
) -> None:
    attributes = {"A": "", "B": "", **dict.fromkeys(sorted(inside), "")}
    values = [("0007", "DET1"), ("0043", "DET1"), ("008D", "DET2"), ("0074", "DET1"),
              ("DFFF", "DET-3")]
    folder(home := tmp_path_factory.mktemp("log"), header(attributes, values),
           encode(attributes, records))
    log = read_time_logs(path=home)[0]
    last: dict[int, int] = {}
    start = datetime(1980, 1, 1, tzinfo=UTC).timestamp()
    for k, (ms, days, place, given_values) in enumerate(records):
        moment = log.time[k].astype("datetime64[ms]").astype(np.int64)
        assert moment == round(start * 1000) + days * 86_400_000 + ms
        if (place["A"], place["B"]) == (0, 0):
            assert np.isnan(log.latitude_deg[k])
        else:
            assert log.latitude_deg[k] == place["A"] / 1e7
            assert log.longitude_deg[k] == place["B"] / 1e7
        assert log.status[k] == (place["D"] if "D" in inside else -1)
        for name, read, scale in (("C", log.up_mm, 1), ("E", log.pdop, 10), ("F", log.hdop, 10),
                                  ("G", log.satellites, 1)):
            if name in inside:
                assert read[k] == place[name] / scale
            else:
                assert np.isnan(read[k])
        last |= dict(given_values)
        for index, one in enumerate(log.values):
            assert one.fresh[k] == (index in dict(given_values))
            if index in last:
                assert one.raw[k] == last[index]
            else:
                assert np.isnan(one.raw[k])


@settings(max_examples=200, derandomize=True, deadline=None)
@given(data=st.binary(max_size=300), inside=st.sets(st.sampled_from("ABCDEFGHI")))
def test_no_bytes_break_the_decoder(
    tmp_path_factory: pytest.TempPathFactory, data: bytes, inside: set[str]
) -> None:
    attributes = dict.fromkeys(sorted(inside), "")
    home = tmp_path_factory.mktemp("any")
    folder(home, header(attributes, [("0007", "DET1"), ("0043", "DET1")]), data)
    log = read_time_logs(path=home)[0]
    size = 7 + sum(struct.calcsize("<" + KINDS[name]) for name in inside)
    used = len(log.time) * size + 5 * sum(int(one.fresh.sum()) for one in log.values)
    cut = next((int(one.value) for one in log.findings if one.code == "time-log-cut"), 0)
    # Every byte is a record's, or told; a value twice in one record takes its bytes twice.
    assert used <= len(data) - cut
    assert (len(data) - cut - used) % 5 == 0


@pytest.mark.parametrize("keep", range(1, 21))
def test_a_log_cut_anywhere_keeps_its_whole_records(tmp_path: Path, keep: int) -> None:
    data = encode(HERE, drive(3)[1:])
    folder(tmp_path, header(HERE, RATE), data[:21 + keep])
    log = read_time_logs(path=tmp_path)[0]
    told = {one.code: one for one in log.findings}
    assert len(log.time) == 1
    assert told["time-log-cut"].value == str(keep)
    assert "record 2 ends beyond the file" in told["time-log-cut"].what


def test_a_count_beyond_the_bytes_is_a_record_that_is_none(tmp_path: Path) -> None:
    data = bytearray(encode(HERE, drive(3)[1:]))
    data[21 + 15] = 255
    folder(tmp_path, header(HERE, RATE), bytes(data))
    log = read_time_logs(path=tmp_path)[0]
    assert len(log.time) == 1
    assert "21 bytes after 1 records" in next(
        one.what for one in log.findings if one.code == "time-log-cut")


def test_a_value_that_the_header_does_not_know_ends_the_log(tmp_path: Path) -> None:
    data = encode(HERE, [*drive(3), (0, 16906, {"A": 5, "B": 5, "D": 1}, [(3, 1)])])
    folder(tmp_path, header(HERE, RATE), data)
    log = read_time_logs(path=tmp_path)[0]
    assert len(log.time) == 3
    told = next(one for one in log.findings if one.code == "time-log-cut")
    assert "record 4 names value 4 of a header that has 3" in told.what


def test_clocks_and_places_that_are_none_are_told(tmp_path: Path) -> None:
    far = {"A": 950_000_000, "B": 5, "D": 0}
    folder(tmp_path, header(HERE, RATE), encode(HERE, [
        (1000, 16906, {"A": 0, "B": 0, "D": 1}, []), (0, 16906, far, []),
        (86_400_000, 16906, far, []), (4_294_967_295, 65535, far, []),
        (0, 65535, {"A": 5, "B": 5, "D": 14}, [])]))
    log = read_time_logs(path=tmp_path)[0]
    told = {one.code: one.value for one in log.findings}
    assert np.isnan(log.latitude_deg).tolist() == [True] * 4 + [False]
    assert np.isnat(log.time).tolist() == [False, False, True, True, False]
    assert log.time[4] == np.datetime64("2159-06-06T00:00:00.000")
    assert (told["time-log-status"], told["time-log-date"], told["time-log-backwards"]) == (
        "4", "3", "1")
    assert [one.what for one in log.findings if one.code == "time-log-place"] == [
        "1 of 5 records stand at latitude 0, longitude 0: no position",
        "3 of 5 records lie off the earth"]


XML = header(HERE, RATE)


@pytest.mark.parametrize(("xml", "code"), [
    ("", "file-empty"), ("<TIM", "xml-broken"), ('<TIM A="" D="4"/', "xml-broken"),
    ('<!DOCTYPE t [<!ENTITY e SYSTEM "file:///etc/passwd">]><TIM A="&e;" D="4"/>', "xml-doctype"),
    ("<TSK/>", "time-log-header"), ('<TIM D="4"/>', "time-log-header"),
    ('<TIM A="2026-01-01T00:00:00" D="4"/>', "time-log-header"),
    ('<TIM A="" D="1"/>', "time-log-header"),
    (XML.replace("<PTN", "<PTN A=''/><PTN"), "time-log-header"),
    (XML.replace('D=""', 'D="" X=""'), "time-log-header"),
    (XML.replace('A="" B="" D=""', 'A="91" B="" D=""'), "time-log-header"),
    (XML.replace('A="" B="" D=""', 'A="nan" B="" D=""'), "time-log-header"),
    (XML.replace('D=""', 'D="4.5"'), "time-log-header"),
    (XML.replace("0007", "7"), "time-log-header"),
    (XML.replace('C="DET1"', 'C="../DET1"'), "time-log-header"),
    (XML.replace("</TIM>", '<DLV A="0007" B="" C="DET1"/>' * 253 + "</TIM>"), "time-log-header"),
    (XML + "<a>" * 200, "xml-broken"), ("<TIM>" * 200, "xml-too-large"),
])
def test_headers_that_break_the_layout_are_refused(tmp_path: Path, xml: str, code: str) -> None:
    folder(tmp_path, xml, encode(HERE, drive(2)))
    with pytest.raises(InputError) as caught:
        read_time_logs(path=tmp_path)
    assert caught.value.code == code
    assert caught.value.hint


@pytest.mark.parametrize(("record", "code"), [
    (RECORD.replace("TLG00001", "../../secret"), "time-log-header"),
    (RECORD.replace("TLG00001", "TLG00002"), "time-log-missing"),
    (RECORD.replace('<TLG A="TLG00001" C="1"/>', ""), "time-log-missing"),
    (RECORD.replace("<ISO11783", "<!DOCTYPE a><ISO11783", 1), "xml-doctype"),
    ("", "file-empty"),
])
def test_records_that_lead_elsewhere_are_refused(tmp_path: Path, record: str, code: str) -> None:
    folder(tmp_path, XML, encode(HERE, drive(2)), record)
    with pytest.raises(InputError) as caught:
        read_time_logs(path=tmp_path)
    assert caught.value.code == code


def test_links_that_leave_the_folder_and_sizes_beyond_the_limits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from vrx.intake import _time_log_bytes, time_log

    home = folder(tmp_path, XML, encode(HERE, drive(50)))
    for module, name in ((time_log, "MOST_BYTES"), (_time_log_bytes, "MOST_RECORDS"),
                         (_time_log_bytes, "MOST_CELLS")):
        with monkeypatch.context() as patch:
            patch.setattr(module, name, 20)
            with pytest.raises(InputError) as caught:
                read_time_logs(path=home)
            assert caught.value.code == "time-log-too-large"
    (home / "TLG00001.bin").rename(tmp_path / "elsewhere.bin")
    (home / "TLG00001.bin").symlink_to(tmp_path / "elsewhere.bin")
    with pytest.raises(InputError) as caught:
        read_time_logs(path=home)
    assert caught.value.code == "time-log-missing"
    with pytest.raises(InputError, match="no folder of task data"):
        read_time_logs(path=tmp_path / "nowhere")


def test_an_empty_log_is_told(tmp_path: Path) -> None:
    folder(tmp_path, XML, b"")
    log = read_time_logs(path=tmp_path)[0]
    assert [one.code for one in log.findings] == ["time-log-empty"]
    assert log.applied("lb/ac").rate.shape == (0,)


MODULES = Path(os.environ.get(
    "VRX_NODE_MODULES", Path.home() / ".cache" / "vrx" / "npm" / "node_modules"))


@pytest.mark.parametrize("attributes", [
    HERE, dict.fromkeys("ABCDEFGHI", ""),
    {"A": "", "B": "", "C": "250", "D": "4", "E": "", "G": "9"},
])
def test_another_library_decodes_the_same_records(
    tmp_path: Path, attributes: dict[str, str | None]
) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("no Node.js on this machine (npm isoxml cannot be asked)")
    if not (MODULES / "isoxml").is_dir():
        pytest.skip(f"npm isoxml is not installed in {MODULES} (.ci/run does it)")
    rng = np.random.default_rng(3)
    records = []
    for k in range(300):
        place = {"A": 412_000_000 + k, "B": -965_000_000 - 3 * k, "C": int(rng.integers(-99, 99)),
                 "D": int(rng.integers(0, 9)), "E": int(rng.integers(0, 99)),
                 "F": int(rng.integers(0, 99)), "G": int(rng.integers(0, 30)), "H": 1000 * k,
                 "I": 16906}
        if k == 7:
            place |= {"A": 0, "B": 0}
        given_values = [(int(i), int(rng.integers(-2**31, 2**31)))
                        for i in np.flatnonzero(rng.random(3) < 0.4)]
        records.append((36_000_000 + 200 * k, 16906, place, given_values))
    (tmp_path / "log").mkdir()
    home = folder(tmp_path / "log", header(attributes, RATE), encode(attributes, records))
    packed = tmp_path / "log.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for path in home.iterdir():
            archive.write(path, f"TASKDATA/{path.name}")
    script = Path(__file__).parents[1] / "outside" / "read_task_data.cjs"
    done = subprocess.run([node, str(script), str(MODULES), str(packed)], capture_output=True,
                          text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    told = json.loads(done.stdout)
    assert told["warnings"] == []
    theirs = told["tasks"][0]["logs"][0]
    log = read_time_logs(path=home)[0]
    assert len(theirs["timeLogs"]) == len(log.time) == 300
    for k, one in enumerate(theirs["timeLogs"]):
        assert np.datetime64(one["time"].rstrip("Z"), "ms") == log.time[k]
        assert one["isValidPosition"] == bool(np.isfinite(log.latitude_deg[k])) == (k != 7)
        if k != 7:
            assert one["position"]["PositionNorth"] == log.latitude_deg[k]
            assert one["position"]["PositionEast"] == log.longitude_deg[k]
        assert int(one["position"]["PositionStatus"]) == log.status[k]
        for name, read in (("PositionUp", log.up_mm), ("PDOP", log.pdop), ("HDOP", log.hdop),
                           ("NumberOfSatellites", log.satellites)):
            if name in one["position"]:
                assert one["position"][name] == pytest.approx(read[k], rel=1e-12)
            else:
                assert np.isnan(read[k])
        for value in log.values:
            key = f"{value.ddi}_{value.element}"
            assert (key in one["values"]) == bool(value.fresh[k])
            if value.fresh[k]:
                assert one["values"][key] == value.raw[k]


def test_a_hundred_thousand_records_take_no_time(tmp_path: Path) -> None:
    # A guard against a loop over values, not a benchmark (scripts/bench/task_data.py is one).
    data = encode(HERE, drive(2000)[1:] * 50)
    folder(tmp_path, XML, data)
    begun = time.process_time()
    log = read_time_logs(path=tmp_path)[0]
    assert len(log.time) == 99_950
    assert time.process_time() - begun < 3.0
