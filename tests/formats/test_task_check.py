"""The judge of task folders finds what schemas and open-source readers let through.

Which defect passes the schemas of version 4.3 (PyPI isoxml-writer 0.0.3) is asked here too, of two
validators (lxml, xmlschema): the judge is worth its lines where they are silent.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import pytest

from vrx.formats import task_data as facts
from vrx.formats.task_check import judge_task_data
from vrx.formats.task_data import designator, presentation
from vrx.model import Severity

CELLS = bytes([1] * 5 + [2] * 5 + [3] * 5 + [0, 1, 2, 3, 0])
RING = ((41.2, -96.5), (41.2, -96.499), (41.201, -96.499), (41.201, -96.5), (41.2, -96.5))


def ring(points=RING, kind: int = 1) -> str:
    return f'<LSG A="{kind}">' + "".join(
        f'<PNT A="2" C="{north:.9f}" D="{east:.9f}"/>' for north, east in points) + "</LSG>"


def moved(north: float, east: float, scale: float = 1.0) -> list[tuple[float, float]]:
    return [(41.2 + (n - 41.2) * scale + north, -96.5 + (e + 96.5) * scale + east)
            for n, e in RING]


# The example of the notes on the standard (two independent libraries read it alike), with a task of
# polygons beside that of a grid.
RECORD = f"""<?xml version="1.0" encoding="UTF-8"?>
<ISO11783_TaskData VersionMajor="4" VersionMinor="3" ManagementSoftwareManufacturer="demo" \
ManagementSoftwareVersion="0.1" DataTransferOrigin="1">
 <CTR A="CTR1" B="Demo grower"/><FRM A="FRM1" B="Home" I="CTR1"/>
 <PFD A="PFD1" C="North 40" D="7500" E="CTR1" F="FRM1"><PLN A="1">{ring()}</PLN></PFD>
 <PDT A="PDT1" B="0-0-60"/>
 <TSK A="TSK1" B="K dry type1" C="CTR1" D="FRM1" E="PFD1" G="1" H="0" I="0" J="0">
  <TZN A="0" B="0 lb/ac"><PDV A="0006" B="0" C="PDT1" E="VPN1"/></TZN>
  <TZN A="1" B="80 lb/ac"><PDV A="0006" B="8967" C="PDT1" E="VPN1"/></TZN>
  <TZN A="2" B="90 lb/ac"><PDV A="0006" B="10088" C="PDT1" E="VPN1"/></TZN>
  <TZN A="3" B="100 lb/ac"><PDV A="0006" B="11209" C="PDT1" E="VPN1"/></TZN>
  <GRD A="41.2" B="-96.5" C="0.0002" D="0.00025" E="5" F="4" G="GRD00001" H="20" I="1"/>
 </TSK>
 <TSK A="TSK2" B="polygons" C="CTR1" D="FRM1" E="PFD1" G="1" H="0" I="0" J="0">
  <TZN A="0" B="off"><PDV A="0006" B="0" C="PDT1" E="VPN1"/></TZN>
  <TZN A="7" B="seven"><PLN A="2">{ring()}{ring(moved(.0002, .0002, .3), 2)}</PLN>\
<PDV A="0006" B="1" C="PDT1" E="VPN1"/></TZN>
  <TZN A="8" B="eight"><PLN A="2">{ring(moved(0, .001))}</PLN>\
<PDV A="0006" B="2" C="PDT1" E="VPN1"/></TZN>
 </TSK>
 <TSK A="TSK3" B="K dry type2" C="CTR1" D="FRM1" E="PFD1" G="1" H="0" I="0" J="0">
  <TZN A="0" B="off"><PDV A="0006" B="0" C="PDT1" E="VPN1"/></TZN>
  <TZN A="1" B="values"><PDV A="0006" B="0" C="PDT1" E="VPN1"/></TZN>
  <GRD A="41.2" B="-96.5" C="0.0002" D="0.00025" E="5" F="4" G="GRD00002" H="80" I="2" J="1"/>
 </TSK>
 <VPN A="VPN1" B="0" C="0.008921791" D="1" E="lb/ac"/>
</ISO11783_TaskData>
"""


def folder(tmp_path: Path, record: str = RECORD) -> Path:
    home = tmp_path / "TASKDATA"
    home.mkdir()
    (home / "TASKDATA.XML").write_text(record, encoding="utf-8")
    (home / "GRD00001.bin").write_bytes(CELLS)
    (home / "GRD00002.bin").write_bytes(bytes.fromhex("c92b0000") * 20)
    return home


@cache
def schemas():
    import xmlschema
    from lxml import etree

    spec = find_spec("isoxml_writer")
    assert spec is not None
    assert spec.origin is not None
    path = str(Path(spec.origin).parent / "ISOXML_schema" / "ISO11783_TaskFile_V4-3.xsd")
    return etree.XMLSchema(etree.parse(path)), xmlschema.XMLSchema(path)


def schema_silent(record: Path) -> tuple[bool, bool]:
    """Whether lxml and xmlschema find nothing."""
    from lxml import etree

    one, other = schemas()
    return one.validate(etree.parse(str(record))), other.is_valid(str(record))


def test_the_whole_example_has_no_fault(tmp_path: Path) -> None:
    home = folder(tmp_path)
    assert judge_task_data(home) == ()
    assert schema_silent(home / "TASKDATA.XML") == (True, True)


def change(old: str, new: str, times: int = 1) -> Callable[[Path], None]:
    def made(home: Path) -> None:
        path = home / "TASKDATA.XML"
        text = path.read_text(encoding="utf-8")
        assert old in text, old
        path.write_text(text.replace(old, new, times), encoding="utf-8")
    return made


def cells(name: str, data: bytes) -> Callable[[Path], None]:
    return lambda home: (home / name).write_bytes(data) and None


def renamed(old: str, new: str) -> Callable[[Path], None]:
    return lambda home: (home / old).rename(home / new) and None


OPEN = ring().replace('<PNT A="2" C="41.200000000" D="-96.500000000"/></LSG>', "</LSG>")
BOW = ring(((41.2, -96.5), (41.201, -96.499), (41.2, -96.499), (41.201, -96.5), (41.2, -96.5)))
GRID = ('<GRD A="41.2" B="-96.5" C="0.0002" D="0.00025" E="5" F="4" G="GRD00001" H="20" I="1"/>')

SILENT = [  # both validators say nothing
    ("default code without zone", change('H="0"', 'H="9"'), "task-check-zone"),
    ("position-lost code without zone", change('I="0"', 'I="9"'), "task-check-zone"),
    ("outside code without zone", change('J="0"', 'J="9"'), "task-check-zone"),
    ("zone code twice", change('TZN A="3"', 'TZN A="2"'), "task-check-zone"),
    ("zone without a rate", change('<PDV A="0006" B="1" C="PDT1" E="VPN1"/>', ""),
     "task-check-zone"),
    ("bytes told wrongly", change('H="20"', 'H="21"'), "task-check-grid"),
    ("type 2 without J", change(' I="2" J="1"', ' I="2"'), "task-check-grid"),
    ("type 2 with another zone", change(' I="2" J="1"', ' I="2" J="5"'), "task-check-grid"),
    ("two grids", change(GRID, GRID + GRID.replace("GRD00001", "GRD00003")), "task-check-grid"),
    ("cell size 0", change('C="0.0002"', 'C="0"'), "task-check-grid"),
    ("no rows", change('F="4"', 'F="0"'), "task-check-grid"),
    ("grid beyond the pole", change('GRD A="41.2"', 'GRD A="89.9999"'), "task-check-grid"),
    ("version 3", change('VersionMajor="4"', 'VersionMajor="3"'), "task-check-version"),
    ("empty name", change('B="Home"', 'B=""'), "task-check-text"),
    ("open ring", change(ring(), OPEN), "task-check-ring"),
    ("ring of one point", change(ring(), ring(RING[:1])), "task-check-ring"),
    ("ring of three", change(ring(), ring((RING[0], RING[1], RING[0]))), "task-check-ring"),
    ("bow tie", change(ring(), BOW), "task-check-ring"),
    ("two outer rings", change(ring(), ring() + ring(moved(0.01, 0))), "task-check-ring"),
    ("no outer ring", change(ring(), ring(kind=2)), "task-check-ring"),
    ("hole outside", change(ring(moved(.0002, .0002, .3), 2), ring(moved(.01, .01, .3), 2)),
     "task-check-ring"),
    ("zones overlap", change(ring(moved(0, .001)), ring(moved(0, .0005))), "task-check-overlap"),
    ("two polygons in a zone", change(ring(moved(0, .001)) + "</PLN>", ring(moved(0, .001))
     + f'</PLN><PLN A="2">{ring(moved(0, .01))}</PLN>'), "task-check-zone"),
    ("grid missing", lambda home: (home / "GRD00001.bin").unlink(), "task-check-file"),
    ("type-1 grid too short", cells("GRD00001.bin", CELLS[:-1]), "task-check-grid"),
    ("type-1 grid too long", cells("GRD00001.bin", CELLS + b"\0"), "task-check-grid"),
    ("code without zone in the cells", cells("GRD00001.bin", b"\x09" + CELLS[1:]),
     "task-check-grid"),
    ("type-2 grid of another size", cells("GRD00002.bin", bytes(84)), "task-check-grid"),
    ("negative value", cells("GRD00002.bin", b"\xff" * 80), "task-check-grid"),
    ("big ending", renamed("GRD00001.bin", "GRD00001.BIN"), "task-check-file"),
    ("time log missing", change("</TSK>", '<TLG A="TLG00001" C="1"/></TSK>'), "task-check-file"),
]
CAUGHT = [  # at least one validator says something; the judge does not lean on them
    ("dangling reference", change('E="PFD1"', 'E="PFD7"'), "task-check-reference"),
    ("reference of another kind", change('C="PDT1"', 'C="VPN1"'), "task-check-reference"),
    ("no area", change(' D="7500"', ""), "task-check-attribute"),
    ("id twice", change('TSK A="TSK2"', 'TSK A="TSK1"'), "task-check-id"),
    ("odd id", change('PDT A="PDT1"', 'PDT A="potash"'), "task-check-id"),
    ("33 characters", change('B="Home"', f'B="{"ü" * 33}"'), "task-check-text"),
    ("short DDI", change('A="0006"', 'A="6"'), "task-check-attribute"),
    ("zone 255", change('TZN A="3"', 'TZN A="255"'), "task-check-zone"),
    ("ten decimals", change("41.200000000", "41.2000000001"), "task-check-attribute"),
    ("value with a point", change('B="8967"', 'B="8967.5"'), "task-check-attribute"),
    ("value beyond 32 bits", change('B="8967"', 'B="2147483648"'), "task-check-attribute"),
    ("latitude 91", change('PNT A="2" C="41.2', 'PNT A="2" C="91.2'), "task-check-ring"),
    ("no latitude", change('PNT A="2" C="41.200000000" ', 'PNT A="2" '), "task-check-attribute"),
    ("path in the name of a grid", change("GRD00001", "../../up"), "task-check-file"),
    ("type 3", change('H="20" I="1"', 'H="20" I="3"'), "task-check-grid"),
    ("another root", change("ISO11783_TaskData", "TaskData", 9), "task-check-version"),
    ("origin 7", change('DataTransferOrigin="1"', 'DataTransferOrigin="7"'),
     "task-check-attribute"),
    ("digits of another script", change('F="4"', 'F="४"'), "task-check-grid"),
]


@pytest.mark.parametrize(("damage", "code"), [one[1:] for one in SILENT],
                         ids=[one[0] for one in SILENT])
def test_what_the_schemas_let_through_is_found(
    tmp_path: Path, damage: Callable[[Path], None], code: str
) -> None:
    home = folder(tmp_path)
    damage(home)
    assert schema_silent(home / "TASKDATA.XML") == (True, True)
    assert code in {one.code for one in judge_task_data(home)}


@pytest.mark.parametrize(("damage", "code"), [one[1:] for one in CAUGHT],
                         ids=[one[0] for one in CAUGHT])
def test_what_schemas_catch_is_found_without_them(
    tmp_path: Path, damage: Callable[[Path], None], code: str
) -> None:
    home = folder(tmp_path)
    damage(home)
    assert False in schema_silent(home / "TASKDATA.XML")
    assert code in {one.code for one in judge_task_data(home)}


@pytest.mark.parametrize(("data", "code"), [
    (b"", "file-empty"), (b"<a", "xml-broken"), (b"\xff\xfe\x00", "xml-broken"),
    (b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "xml-doctype"),
    (b'<!DOCTYPE a SYSTEM "file:///etc/passwd"><a/>', "xml-doctype"),
    (b"<a>" * 200, "xml-too-large"),
])
def test_hostile_records_are_findings(tmp_path: Path, data: bytes, code: str) -> None:
    home = folder(tmp_path)
    (home / "TASKDATA.XML").write_bytes(data)
    assert [one.code for one in judge_task_data(home)] == [code]


def test_small_letters_links_and_missing_folders(tmp_path: Path) -> None:
    home = folder(tmp_path)
    renamed("TASKDATA.XML", "taskdata.xml")(home)
    told = judge_task_data(home)
    assert [one.severity for one in told] == [Severity.STOP]
    assert "upper case" in told[0].what
    renamed("taskdata.xml", "TASKDATA.XML")(home)
    (home / "GRD00001.bin").rename(tmp_path / "outside.bin")
    (home / "GRD00001.bin").symlink_to(tmp_path / "outside.bin")
    assert "task-check-file" in {one.code for one in judge_task_data(home)}
    assert judge_task_data(tmp_path / "nowhere")[0].code == "task-check-file"
    assert judge_task_data(home / "TASKDATA.XML")[0].code == "task-check-file"


def test_many_faults_are_told_up_to_a_limit(tmp_path: Path) -> None:
    zones = "".join(f'<TZN A="{k}"/>' for k in range(250))
    home = folder(tmp_path, RECORD.replace("<TZN", zones + "<TZN", 1))
    told = judge_task_data(home)
    assert len(told) == 201
    assert told[-1].code == "task-check-many"


MACHINE = """<?xml version="1.0" encoding="UTF-8"?>
<ISO11783_TaskData VersionMajor="4" VersionMinor="3" ManagementSoftwareManufacturer="demo" \
ManagementSoftwareVersion="0.1" TaskControllerManufacturer="demo" TaskControllerVersion="1" \
DataTransferOrigin="2">
 <CTR A="CTR1" B="Demo"/><FRM A="FRM1" B="Home" I="CTR1"/><WKR A="WKR-1" B="Driver"/>
 <PGP A="PGP1" B="dry"/><VPN A="VPN1" B="0" C="0.008921791" D="1" E="lb/ac"/>
 <PDT A="PDT1" B="0-0-60" C="PGP1" D="VPN1"/>
 <DVC A="DVC-1" B="Spreader" D="A00080000CE00000" F="31303030303030" G="656E50000000FF">
  <DET A="DET-1" B="1" C="1" D="whole" E="0" F="0"><DOR A="1"/></DET>
  <DPD A="1" B="0007" C="1" D="1"/>
 </DVC>
 <PFD A="PFD1" C="North 40" D="7500" E="CTR1" F="FRM1"/>
 <TSK A="TSK-1" B="done" C="CTR1" D="FRM1" E="PFD1" F="WKR-1" G="4">
  <TIM A="2026-04-15T10:00:00" D="4"><PTN A="41.2" B="-96.5" D="4"/></TIM>
  <WAN A="WKR-1"/><DAN A="A00080000CE00000" C="DVC-1"/><PAN A="PDT1" E="DET-1" F="VPN1"/>
  <DLT A="DFFF" B="31"/><TLG A="TLG00001" C="1"/>
 </TSK>
</ISO11783_TaskData>
"""


def test_a_machine_s_own_record_has_no_fault(tmp_path: Path) -> None:
    home = folder(tmp_path, MACHINE)
    (home / "TLG00001.xml").write_text('<TIM A="" D="4"/>')
    (home / "TLG00001.bin").write_bytes(b"")
    assert schema_silent(home / "TASKDATA.XML") == (True, True)
    assert judge_task_data(home) == ()


def test_references_into_other_files_are_doubts(tmp_path: Path) -> None:
    record = MACHINE.replace('<WKR A="WKR-1" B="Driver"/>', '<XFR A="WKR00001" B="1"/>')
    home = folder(tmp_path, record.replace('<TLG A="TLG00001" C="1"/>', ""))
    told = judge_task_data(home)
    assert {(one.code, one.severity) for one in told} == {("task-check-reference", Severity.WARN)}


def test_ids_references_and_required_attributes_are_those_of_the_schemas() -> None:
    from lxml import etree

    ns = {"x": "http://www.w3.org/2001/XMLSchema"}
    spec = find_spec("isoxml_writer")
    assert spec is not None
    assert spec.origin is not None
    root = etree.parse(
        str(Path(spec.origin).parent / "ISOXML_schema" / "ISO11783_Common_V4-3.xsd"))
    ids: dict[str, str] = {}
    references: dict[str, dict[str, str]] = {}
    for element in root.findall("x:element", ns):
        tag = element.get("name")
        required = ""
        for one in element.findall(".//x:attribute", ns):
            required += one.get("name") if one.get("use") == "required" else ""
            for kind in one.findall(".//x:restriction", ns):
                if kind.get("base") == "xs:ID":
                    ids[tag] = one.get("name")
                elif kind.get("base") == "xs:IDREF":
                    pattern = kind.find("x:pattern", ns).get("value")
                    references.setdefault(tag, {})[one.get("name")] = pattern[1:4]
        if tag in facts.REQUIRED:
            assert facts.REQUIRED[tag] == required, tag
    assert dict(facts.ID_OF) == ids
    assert {tag: dict(own) for tag, own in facts.REFERENCES.items()} == references


@pytest.mark.parametrize(("text", "want"), [
    ("North 40", "North 40"), ("  a\n b\t ", "a b"), ("x" * 40, "x" * 32), ("", ""),
    ("bell\x07", "bell?"), ("half \ud800", "half ?"), ("e\u0301" * 40, "é" * 32),
    # q with a dot below has no letter of its own: base and mark stay together.
    ("a" * 31 + "q\u0323", "a" * 31), ("a" * 31 + " b", "a" * 31), ("🌾" * 33, "🌾" * 32),
])
def test_designators(text: str, want: str) -> None:
    assert designator(text) == want


def test_scales_shown_to_people() -> None:
    # 1 / 112.085115619 and 1 / 93539.562290, worked by hand; 9 decimals.
    assert presentation("lb/ac", step=5) == ("0.008921791", 0)
    assert presentation("gal/ac", step=0.25) == ("0.000010691", 2)
    assert presentation("lb/ac", step=0.5) == ("0.008921791", 1)
