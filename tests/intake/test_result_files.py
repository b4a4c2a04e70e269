"""Laboratory result files: Modus 1 XML, the same as JSON, and the flat "slim" JSON.

Layout of Modus 1 results: open example files of the repository oats-center/modus (folder examples,
CC0). Flat layout and its worked example: Open Ag Data Alliance, JSON Schema modus/slim/v1/0 (MIT).
All values here are invented but for that example.
"""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.formats.lab_methods import lab_method, lab_methods
from vrx.formats.soil_methods import FORMS_OF, METHODS, UNITS_OF
from vrx.intake import ColumnSpec, SoilSpec, input_files, peek_table, read_soil
from vrx.intake._json import read_json
from vrx.intake._modus import modus_results
from vrx.intake._xml import read_xml
from vrx.model import ANALYTES, READ_ALONG, Field, Severity

M3, AA, VOLUME, SULFUR = "S-K-M3.01.03", "S-K-NH4AC.05", "L_MODV2_SOIL_K_032", "S-S-NH4AC.05"
XSI = "http://www.w3.org/2001/XMLSchema-instance"


def event(make: SimpleNamespace, *, code: str | None = M3, unit: str = "ppm", order: str = "latlon",
          extra: list[dict[str, str]] | None = None, depths: tuple[Any, ...] = ((0, 6, "in"),),
          **meta: str) -> dict[str, Any]:
    """One event of 16 samples in the v1 JSON form; `extra` results are put into every sample."""
    samples = []
    for n, ((lon, lat), k) in enumerate(zip(make.sample_places(), make.k, strict=True), 1):
        point = f"POINT ({lat} {lon})" if order == "latlon" else f"POINT({lon} {lat})"
        parts = []
        for d in range(len(depths)):
            one = {"Element": "K", "Value": str(k + 100 * d), "ValueUnit": unit,
                   "ValueType": "Measured", "ValueDesc": "M"}
            if code is not None:
                one["ModusTestID"] = code
            parts.append({"DepthID": str(d + 1), "NutrientResults": [one, *(extra or [])]})
        about = {"SampleNumber": f"S{n:02d}", "SampleContainerID": str(28000 + n), "ReportID": "1",
                 **meta}
        if order != "none":
            about["Geometry"] = point
        samples.append({"SampleMetaData": about, "Depths": parts})
    return {
        "EventMetaData": {"EventCode": "e-1", "EventDate": "2026-10-01",
                          "EventType": {"Soil": True}},
        "LabMetaData": {"LabName": "Two Creeks (invented)", "ReceivedDate": "2026-10-03",
                        "Reports": [{"ReportID": "1", "LabReportID": "TC-26-1"}]},
        "EventSamples": {"Soil": {
            "DepthRefs": [{"DepthID": str(d + 1), "Name": f"layer {d + 1}",
                           "StartingDepth": str(top), "EndingDepth": str(bottom),
                           "ColumnDepth": str(bottom - top), "DepthUnit": u}
                          for d, (top, bottom, u) in enumerate(depths)],
            "SoilSample": samples}},
    }


_LISTS = {"DepthRefs": "DepthRef", "Depths": "Depth", "NutrientResults": "NutrientResult",
          "Reports": "Report"}


def element(name: str, value: Any) -> ET.Element:
    """The JSON form as XML, by the general library."""
    made = ET.Element(name)
    if isinstance(value, dict):
        for key, inner in value.items():
            if key == "DepthID" and name in {"Depth", "DepthRef"}:
                made.set(key, inner)
            elif key in _LISTS:
                around = ET.SubElement(made, key)
                around.extend(element(_LISTS[key], one) for one in inner)
            elif isinstance(inner, list):
                made.extend(element(key, one) for one in inner)
            else:
                made.append(element(key, inner))
    else:
        made.text = str(value).lower() if isinstance(value, bool) else str(value)
    return made


def write(path: Path, *events: dict[str, Any], form: str = "xml", prefix: bytes = b"") -> Path:
    if form == "json":
        path = path.with_suffix(".json")
        path.write_text(json.dumps({"_type": "application/vnd.modus.v1.modus-result+json",
                                    "Events": list(events)}))
        return path
    root = ET.Element("ModusResult", {"Version": "1.0", "xmlns:xsi": XSI})
    root.extend(element("Event", one) for one in events)
    path = path.with_suffix(".xml")
    path.write_bytes(prefix + ET.tostring(root))
    return path


def spec(order: str | None = "latitude longitude", code: str = M3, **changes: Any) -> SoilSpec:
    columns = {"potassium": ColumnSpec(column=code)}
    return SoilSpec(**{"columns": columns, "point_order": order, "date_column": "event date",
                       **changes})


def stopped(**given_: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        read_soil(**given_)
    return caught.value


@pytest.mark.parametrize("form", ["xml", "json"])
def test_the_method_code_gives_form_extractant_and_unit(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, form: str
) -> None:
    path = write(tmp_path / "r", event(make), form=form)
    soil = read_soil(path=path, field=field, spec=spec(), season=2027)
    assert soil.sample_id == tuple(f"S{n:02d}" for n in range(1, 17))
    assert make.total(soil.columns["potassium"].values) == 2874
    assert soil.columns["potassium"].extractant == "mehlich-3"
    assert soil.columns["potassium"].depth_in == (0.0, 6.0)
    assert soil.columns["potassium"].source == "S-K-M3.01.03, ppm K"
    assert (soil.lab, soil.report_number) == ("Two Creeks (invented)", "TC-26-1")
    assert set(soil.sampled_on) == {"2026-10-01"}
    assert [f.code for f in soil.findings if f.severity is not Severity.NOTE] == []
    assert {"lab-keys-from-file", "lab-method-code", "soil-method-known", "soil-depth-from-file",
            "lab-ratings"} <= set(make.codes(soil.findings))
    assert input_files(path) == (path,)


def test_a_stated_contradiction_stops(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    path = write(tmp_path / "r", event(make))
    for stated in ({"extractant": "olsen"}, {"form": "K2O"}):
        column = ColumnSpec(column=M3, depth_in=(0.0, 6.0), **stated)
        error = stopped(path=path, field=field, spec=spec(columns={"potassium": column}))
        assert error.code == "soil-method-conflict"
    error = stopped(path=path, field=field,
                    spec=spec(columns={"phosphorus": ColumnSpec(column=M3)}))
    assert "is potassium, not phosphorus" in str(error)
    error = stopped(path=path, field=field, spec=spec(columns={
        "potassium": ColumnSpec(column=M3, depth_in=(0.0, 8.0))}))
    assert error.code == "soil-depth-conflict"
    error = stopped(path=path, field=field, spec=spec(columns={
        "potassium": ColumnSpec(column=M3, unit="lb/ac")}))
    assert error.code == "soil-unit-conflict"


def test_the_order_of_a_point_is_never_guessed(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    for order, right, wrong in (("latlon", "latitude longitude", "longitude latitude"),
                                ("lonlat", "longitude latitude", "latitude longitude")):
        path = write(tmp_path / order, event(make, order=order))
        asked = stopped(path=path, field=field, spec=spec(None))
        assert asked.code == "lab-point-order"
        assert f"as {right}: 16 of 16" in str(asked)
        assert f"as {wrong}: 0 of 16" in str(asked)
        assert len(read_soil(path=path, field=field, spec=spec(right)).sample_id) == 16
        # The wrong order is found out against the field, with counts, and not mended.
        error = stopped(path=path, field=field, spec=spec(wrong))
        assert error.code == "soil-coordinates-exchanged"
        assert "16 of 16 inside" in str(error) or "rows fit" in str(error)
    path = write(tmp_path / "none", event(make, order="none"))
    assert stopped(path=path, field=field, spec=spec()).code == "soil-no-coordinates"


def test_volume_is_not_mass(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    path = write(tmp_path / "v", event(make, code=VOLUME, unit="ppm"))
    soil = read_soil(path=path, field=field, spec=spec(code=VOLUME))
    assert {"soil-code-by-volume", "soil-volume-basis"} <= set(make.codes(soil.findings))
    assert soil.columns["potassium"].source.startswith("L_MODV2_SOIL_K_032, mg/L")
    path = write(tmp_path / "w", event(make, code=VOLUME, unit="mg/kg"))
    assert stopped(path=path, field=field, spec=spec(code=VOLUME)).code == "soil-method-conflict"
    path = write(tmp_path / "x", event(make, code=M3, unit="mg/L"))
    assert stopped(path=path, field=field, spec=spec()).code == "soil-method-conflict"
    path = write(tmp_path / "y", event(make, code="S-SO4-EPA300.04", unit="mg/L"))
    error = stopped(path=path, field=field, spec=spec(columns={
        "sulfate": ColumnSpec(column="S-SO4-EPA300.04")}))
    assert error.code == "soil-method-refused"


def test_the_code_counts_and_never_the_element(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    # The trap of a real file: SO4-S on a code that the method list files under S.
    more = [{"Element": "SO4-S", "Value": "9", "ValueUnit": "ppm", "ModusTestID": SULFUR},
            {"Element": "K", "Value": "55", "ValueUnit": "ppm", "ModusTestID": AA,
             "ValueType": "Calculated"},
            {"Element": "K", "Value": "3", "ValueUnit": "%", "ModusTestID": "S-X-STRANGE.1"},
            {"Element": "K", "Value": "7", "ValueUnit": "ppm"},
            {"Element": "K", "Value": "88", "ValueUnit": "ppm", "ModusTestID": M3,
             "ValueType": "Index"}]
    one = event(make, extra=more)
    one["NutrientRecommendations"] = {"NutrientRecommendation": [
        {"Element": "K2O", "Value": "120", "ValueUnit": "lb/ac"}]}
    path = write(tmp_path / "r", one)
    columns = {"potassium": ColumnSpec(column=M3), "sulfate": ColumnSpec(column=SULFUR)}
    soil = read_soil(path=path, field=field, spec=spec(columns=columns))
    assert make.total(soil.columns["potassium"].values) == 2874
    assert make.total(soil.columns["sulfate"].values) == 16 * 9
    assert soil.columns["sulfate"].source == "S-S-NH4AC.05, ppm S"
    told = {f.code: f for f in soil.findings}
    assert "soil-sulfur-total" in told
    assert f"{AA} (16)" in told["lab-value-calculated"].what
    assert f"{M3} (Index) (16)" in told["lab-value-kind"].what
    assert "S-X-STRANGE.1" in told["lab-method-unknown"].what
    assert "K (16)" in told["lab-no-method-code"].what
    assert "NutrientRecommendations (1)" in told["lab-parts-not-read"].what
    error = stopped(path=path, field=field, spec=spec(columns={
        "sulfate": ColumnSpec(column=SULFUR, form="SO4-S")}))
    assert error.code == "soil-method-conflict"
    # A stranger is read as soon as the plan says everything itself, and only then.
    strange = ColumnSpec(column="K (no method code)")
    error = stopped(path=path, field=field, spec=spec(columns={"potassium": strange}))
    assert {"soil-form-missing", "soil-extractant-missing"} <= {f.code for f in error.findings}
    strange = ColumnSpec(column="K (no method code)", form="K", extractant="olsen")
    soil = read_soil(path=path, field=field, spec=spec(columns={"potassium": strange}))
    assert make.total(soil.columns["potassium"].values) == 16 * 7


def test_depths_events_and_replaced_results(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    path = write(tmp_path / "d", event(make, depths=((0, 15, "cm"), (15, 60, "cm"))))
    assert stopped(path=path, field=field, spec=spec()).code == "soil-several-depths"
    soil = read_soil(path=path, field=field, spec=spec(depth="0-15 cm"))
    assert make.total(soil.columns["potassium"].values) == 2874
    assert soil.columns["potassium"].depth_in == (0.0, 5.91)
    # A second event is a rerun of the same samples.
    again = event(make)
    for sample in again["EventSamples"]["Soil"]["SoilSample"]:
        sample["Depths"][0]["NutrientResults"][0]["Value"] = "200"
    path = write(tmp_path / "t", event(make), again)
    soil = read_soil(path=path, field=field, spec=spec())
    assert make.total(soil.columns["potassium"].values) == (2874 + 16 * 200) / 2
    assert {"soil-result-rerun", "soil-samples-merged"} <= set(make.codes(soil.findings))
    soil = read_soil(path=path, field=field, spec=spec(reruns="last"))
    assert make.total(soil.columns["potassium"].values) == 16 * 200
    for sample in again["EventSamples"]["Soil"]["SoilSample"]:
        sample["SampleMetaData"]["OverwriteResult"] = "true"
    soil = read_soil(path=write(tmp_path / "o", event(make), again), field=field, spec=spec())
    assert make.total(soil.columns["potassium"].values) == 16 * 200
    assert "soil-result-replaced" in make.codes(soil.findings)
    # Also when the corrected results come under another day and report.
    again["EventMetaData"]["EventDate"] = "2026-11-02"
    again["LabMetaData"]["Reports"] = []
    for order in ((event(make), again), (again, event(make))):
        soil = read_soil(path=write(tmp_path / "p", *order), field=field, spec=spec())
        if order[1] is again:
            assert make.total(soil.columns["potassium"].values) == 16 * 200
            assert set(soil.sampled_on) == {"2026-11-02"}
        else:
            # Nothing earlier is there to replace, so both are results of one place.
            assert "soil-samples-merged" in make.codes(soil.findings)
    soil = read_soil(path=write(tmp_path / "e", event(make), event(make)), field=field, spec=spec())
    assert make.total(soil.columns["potassium"].values) == 2874
    assert "soil-result-twice" in make.codes(soil.findings)


# The schema's worked example, results with their published codes, values and units.
EXAMPLE = {
    "kfj290ji": {"analyte": "PH", "value": 7, "units": "none", "modusTestID": "S-PH-1:1.02.07"},
    "2fj290ji": {"analyte": "OM", "value": 2.4, "units": "%", "modusTestID": "S-SOM-LOI.15"},
    "3fj290ji": {"analyte": "P", "value": 34, "units": "ppm", "modusTestID": "S-P-B1-1:10.01.03"},
    "4fj290ji": {"analyte": "K", "value": 161, "units": "ppm", "modusTestID": "S-K-NH4AC.05"},
    "7fj290ji": {"analyte": "CEC", "value": 8.2, "units": "meq/100g", "modusTestID": "S-CEC.19"},
    "0fj290ji": {"analyte": "KBS", "value": 5.1, "units": "%", "modusTestID": "S-BS-K.19"},
    "11j290ji": {"analyte": "SO4S", "value": 7, "units": "ppm", "modusTestID": "S-S-NH4AC.05"},
}


def slim(make: SimpleNamespace, **changes: Any) -> dict[str, Any]:
    return {
        "_type": "application/vnd.modus.slim.v1.0+json", "id": "x", "date": "2026-10-01",
        "type": "soil", "lab": {"name": "L", "report": {"id": "F1"}},
        "depth": {"top": 0, "bottom": 8, "units": "in"},
        "samples": {f"key{n}": {"lab": {"sampleid": f"28_{n}"}, "results": EXAMPLE,
                                "geolocation": {"lat": lat, "lon": lon}}
                    for n, (lon, lat) in enumerate(make.sample_places())}, **changes}


def test_the_flat_layout_reads_its_schemas_example(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    path = tmp_path / "slim.json"
    path.write_text(json.dumps(slim(make)))
    peek = peek_table(path)
    assert dict(peek.proposals) == {
        "id_column": "sample", "depth_column": "depth", "lab_column": "laboratory",
        "report_column": "report", "longitude_column": "longitude", "latitude_column": "latitude",
        "potassium": "S-K-NH4AC.05", "sulfate": "S-S-NH4AC.05", "phosphorus": "S-P-B1-1:10.01.03",
        "ph": "S-PH-1:1.02.07", "cec": "S-CEC.19", "organic_matter": "S-SOM-LOI.15"}
    columns = {key: ColumnSpec(column=peek.proposals[key]) for key in ANALYTES
               if key not in READ_ALONG}
    soil = read_soil(path=path, field=field, season=2027,
                     spec=SoilSpec(columns=columns, date_column="event date"))
    means = {key: round(float(c.values.mean()), 6) for key, c in soil.columns.items()}
    assert means == {"potassium": 161, "sulfate": 7, "cec": 8.2, "organic_matter": 2.4, "ph": 7,
                     "phosphorus": 34}
    assert soil.columns["phosphorus"].extractant == "bray-1"
    assert soil.columns["potassium"].depth_in == (0.0, 8.0)
    assert "S-BS-K.19" in next(f.what for f in soil.findings if f.code == "lab-method-unknown")


@pytest.mark.parametrize(("body", "code"), [
    ("<ModusResult><Event/></ModusResult>", "lab-no-results"),
    ("<ModusSubmit/>", "lab-submission"), ("<gpx/>", "lab-layout-unknown"),
    ("<ModusResult>", "xml-broken"), ("", "xml-broken"),
    ('<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><ModusResult>&b;</ModusResult>',
     "xml-doctype"),
    ('<!DOCTYPE a SYSTEM "http://example.invalid/a.dtd"><ModusResult/>', "xml-doctype"),
    ("<a>" * 100 + "</a>" * 100, "xml-too-large"),
    ('<?xml version="1.0" encoding="klingon"?><ModusResult/>', "xml-broken"),
    ("<ModusResult>&undeclared;</ModusResult>", "xml-broken"),
])
def test_xml_that_is_refused(*, field: Field, tmp_path: Path, body: str, code: str) -> None:
    path = tmp_path / "r.xml"
    path.write_text(body)
    assert stopped(path=path, field=field, spec=spec()).code == code


def test_a_bomb_of_entities_is_refused_before_it_grows(field: Field, tmp_path: Path) -> None:
    lines = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    path = tmp_path / "bomb.xml"
    path.write_text(f'<!DOCTYPE l [<!ENTITY l0 "ha">{lines}]><ModusResult>&l9;</ModusResult>')
    error = stopped(path=path, field=field, spec=spec())
    assert error.code == "xml-doctype"
    assert "DOCTYPE" in error.hint


@pytest.mark.parametrize(("text", "code"), [
    ('{"Events": [], "Events": [1]}', "json-key-twice"), ('{"Events": NaN}', "json-broken"),
    ('{"Events": ' + "[" * 100_000, "json-broken"), ('{"samples": {}}', "lab-no-results"),
    ('{"Events": []}', "lab-no-results"), ('{"samples": 7}', "lab-no-results"),
    ('{"type": "water", "samples": {"a": {"results": {}}}}', "lab-no-results"),
])
def test_json_that_is_refused(*, field: Field, tmp_path: Path, text: str, code: str) -> None:
    path = tmp_path / "r.json"
    path.write_text(text)
    assert stopped(path=path, field=field, spec=spec()).code == code


def test_awkward_cells_of_results(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    path = tmp_path / "slim.json"
    for value, code in (("<5", "soil-below-limit"), (None, "soil-value-missing"),
                        ("ND", "soil-not-detected"), (True, "soil-value-unreadable"),
                        (-3, "soil-value-negative"), (99999, "soil-value-implausible")):
        document = slim(make)
        changed = {**EXAMPLE, "4fj290ji": {**EXAMPLE["4fj290ji"], "value": value}}
        document["samples"]["key0"] = {**document["samples"]["key0"], "results": changed}
        path.write_text(json.dumps(document))
        told = SoilSpec(columns={"potassium": ColumnSpec(column=AA)}, date_column="event date")
        if code in {"soil-value-unreadable", "soil-value-negative", "soil-value-implausible"}:
            assert stopped(path=path, field=field, spec=told).code == code
        else:
            assert code in make.codes(read_soil(path=path, field=field, spec=told).findings)
    one = event(make)
    one["EventSamples"]["Soil"]["SoilSample"][0]["Depths"][0]["DepthID"] = "9"
    broken = write(tmp_path / "d", one)
    assert stopped(path=broken, field=field, spec=spec()).code == "lab-depth-unknown"
    one = event(make)
    one["EventSamples"]["Soil"]["SoilSample"][3]["SampleMetaData"]["Geometry"] = "POLYGON((1 2))"
    soil = read_soil(path=write(tmp_path / "p", one), field=field, spec=spec())
    assert len(soil.sample_id) == 15
    assert {"lab-geometry-no-point", "soil-no-position"} <= set(make.codes(soil.findings))


def test_every_code_means_words_that_vrx_knows() -> None:
    names = {m.name: m.analytes for m in METHODS}
    assert len(lab_methods()) > 25
    for method in lab_methods():
        assert method.unit in UNITS_OF[method.analyte]
        assert method.basis in {"mass", "volume", "not stated"}
        assert (method.unit == "mg/L") == (method.basis == "volume") or method.refuse
        assert method.evidence == "read"
        assert method.locator
        if ANALYTES[method.analyte].needs_extractant:
            assert method.analyte in names[method.extractant]
            assert method.form in FORMS_OF[method.analyte]
    assert lab_method(" s-k-m3.01.03 ") is lab_method(M3)
    assert lab_method("S-K") is None


text = st.text(st.characters(codec="utf-8", exclude_categories=["C"]), max_size=12)
result = st.fixed_dictionaries({"Element": text, "Value": st.floats(0, 900).map(repr),
                                "ValueUnit": st.sampled_from(["ppm", "mg/kg", ""])},
                               optional={"ModusTestID": st.sampled_from([M3, AA, "Q 1"])})
EVENTS = st.lists(st.fixed_dictionaries({"EventSamples": st.fixed_dictionaries({"Soil":
    st.fixed_dictionaries({"SoilSample": st.lists(st.fixed_dictionaries({
        "SampleMetaData": st.fixed_dictionaries({"SampleNumber": text}),
        "Depths": st.lists(st.fixed_dictionaries(
            {"NutrientResults": st.lists(result, min_size=1, max_size=3)}), min_size=1, max_size=2),
    }), min_size=1, max_size=3)})})}), min_size=1, max_size=3)


@settings(max_examples=40, derandomize=True, deadline=None)
@given(EVENTS)
def test_xml_and_json_hold_the_same_results(events: list[dict[str, Any]]) -> None:
    root = ET.Element("ModusResult")
    root.extend(element("Event", one) for one in events)
    name, document = read_xml(ET.tostring(root), where="r.xml")
    assert name == "ModusResult"
    by_xml = modus_results(document, where="r")
    by_json = modus_results({"Events": events}, where="r")
    assert by_xml == by_json
    count = sum(len(d["NutrientResults"]) for e in events
                for s in e["EventSamples"]["Soil"]["SoilSample"] for d in s["Depths"])
    assert len(by_xml[0]) == count


@settings(max_examples=40, derandomize=True, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_damaged_file_is_an_error_of_ours(
    make: SimpleNamespace, field: Field, tmp_path: Path, data: st.DataObject
) -> None:
    form = data.draw(st.sampled_from(["xml", "json"]))
    path = write(tmp_path / "fuzz", event(make), form=form)
    whole = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(whole) - 1))
        if data.draw(st.booleans()):
            whole[at] = data.draw(st.integers(0, 255))
        else:
            del whole[at : at + data.draw(st.integers(1, 200))]
    path.write_bytes(bytes(whole))
    fault = ("", "")
    try:
        count = len(read_soil(path=path, field=field, spec=spec()).sample_id)
    except InputError as err:
        count, fault = 0, (err.code, err.where)
    assert all(fault) or 0 < count <= 16


@settings(max_examples=40, derandomize=True, deadline=None)
@given(st.recursive(st.none() | st.booleans() | st.floats() | text,
                    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
                        st.sampled_from(["Events", "Event", "EventSamples", "Soil", "SoilSample",
                                         "Depths", "NutrientResults", "samples", "results",
                                         "geolocation", "geojson", "coordinates", "DepthRefs"]),
                        inner, max_size=4), max_leaves=20))
def test_any_shape_of_document_is_refused_or_read(document: Any) -> None:
    code = ""
    found: list[Any] = []
    try:
        found, _ = modus_results(document, where="r.json")
    except InputError as err:
        code = err.code
    assert found or code in {"lab-no-results", "lab-depth-unknown"}
    text_ = json.dumps(document)
    if "NaN" in text_ or "Infinity" in text_:
        with pytest.raises(InputError, match="no number of JSON"):
            read_json(text_.encode(), where="r.json")
    else:
        assert read_json(text_.encode(), where="r.json") == json.loads(text_)
