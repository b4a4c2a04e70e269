"""`[[layer]]` sections: strict, and every fault says which layer and what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from vrx.errors import PlanError
from vrx.plan import Plan, load_plan

SAMPLE = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle" / "plan.toml"

RASTER = '[[layer]]\nname = "elevation"\nfile = "dem.tif"\nunit = "m"\nband = 1\n'
POINTS = ('[[layer]]\nname = "conductivity"\nfile = "ec.csv"\nunit = "mS/m"\n'
          'value_column = "ECa"\nlongitude_column = "lon"\nlatitude_column = "lat"\n')


def plan_of(tmp_path: Path, sections: str, *, yields: str = "") -> Plan:
    text = SAMPLE.read_text(encoding="utf-8")
    text = text.replace("[surface]", f"{yields}\n{sections}\n[surface]", 1)
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return load_plan(path)


def test_both_kinds_are_read_with_every_key(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, RASTER + 'crs = "EPSG:32616"\nno_data = -9999\n' + POINTS
                   + 'fill_within_m = 20\ndecimal_mark = ","\nsheet = "log"\n'
                   + RASTER.replace('"elevation"', '"soil unit"') + "classes = true\n"
                   + 'no_data = "none"\n')
    dem, ec, units = plan.layers
    assert (dem.is_raster, dem.band, dem.crs, dem.no_data) == (True, 1, "EPSG:32616", -9999.0)
    assert (ec.is_raster, ec.value_column, ec.fill_within_m) == (False, "ECa", 20.0)
    assert (units.classes, units.no_data) == (True, "none")
    assert plan_of(tmp_path, "").layers == ()
    # One layer alone may stand as a plain section.
    (alone,) = plan_of(tmp_path, RASTER.replace("[[layer]]", "[layer]")).layers
    assert alone.name == "elevation"


@pytest.mark.parametrize(("sections", "words"), [
    (RASTER.replace("band = 1\n", ""), ["'elevation'", "band = 1", "value_column", "vrx check"]),
    (RASTER + 'value_column = "z"\n', ["'elevation'", "band", "value_column"]),
    (RASTER.replace('unit = "m"\n', ""), ["layer[1].unit", "missing"]),
    (RASTER.replace('unit = "m"', 'unit = " "'), ["layer[1].unit"]),
    (RASTER.replace("band = 1", "band = 0"), ["layer[1].band", "1"]),
    (RASTER.replace("band = 1", 'band = "1"'), ["layer[1].band", "number"]),
    (RASTER + "fill_within_m = 5\n", ["fill_within_m", "table of points"]),
    (RASTER + 'easting_column = "x"\n', ["easting_column", "table of points"]),
    (POINTS + "classes = true\n", ["classes", "raster"]),
    (POINTS + "no_data = 0\n", ["no_data", "raster"]),
    (POINTS.replace('latitude_column = "lat"\n', ""), ["latitude_column"]),
    (POINTS + 'easting_column = "x"\nnorthing_column = "y"\n', ["easting_column", "or"]),
    (POINTS + "fill_within_m = -1\n", ["fill_within_m", "0"]),
    (RASTER + "no_data = nan\n", ["no_data"]),
    (RASTER + 'no_data = "-9999"\n', ["no_data", "none"]),
    (RASTER + "no_data = true\n", ["no_data", "none"]),
    (RASTER + "bands = 1\n", ["unknown key", "'band'"]),
    (RASTER.replace('"elevation"', '"eleva\\ntion"'), ["line break"]),
    (RASTER.replace('"elevation"', f'"{"e" * 61}"'), ["60"]),
    (RASTER + RASTER.replace('"elevation"', '"Elevation"'), ["two", "'Elevation'"]),
], ids=range(20))
def test_a_wrong_section_names_key_and_remedy(
    tmp_path: Path, sections: str, words: list[str]
) -> None:
    with pytest.raises(PlanError) as caught:
        plan_of(tmp_path, sections)
    for word in words:
        assert word in str(caught.value), str(caught.value)


def test_letters_of_any_language_may_name_a_layer(tmp_path: Path) -> None:
    named = RASTER.replace('"elevation"', '"Höhe <1> & «ß» 標高"')
    assert plan_of(tmp_path, named).layers[0].name == "Höhe <1> & «ß» 標高"


@pytest.mark.parametrize(("names", "sections", "words"), [
    ('["elevation"]', RASTER, ["'m'", "no yield", "t/ha"]),
    ('["yeild"]', RASTER.replace('"elevation"', '"yield"'), ["'yeild'", "did you mean 'yield'"]),
    ('["yield"]', "", ["'yield'", "add a [[layer]]"]),
    ('["y", "y"]', RASTER.replace('"elevation"', '"y"').replace('"m"', '"t/ha"'), ["twice"]),
    ('["y"]', RASTER.replace('"elevation"', '"y"').replace('"m"', '"t/ha"')
     + "classes = true\n", ["classes"]),
], ids=["no yield", "spelled wrong", "no layer", "twice", "classes"])
def test_only_layers_of_yield_share_the_goal_out(
    tmp_path: Path, names: str, sections: str, words: list[str]
) -> None:
    # `[yield_goal]` is the section before `[surface]` in this plan.
    with pytest.raises(PlanError) as caught:
        plan_of(tmp_path, sections, yields=f"layers = {names}")
    for word in words:
        assert word in str(caught.value), str(caught.value)


def test_a_yield_layer_is_named_in_the_yield_goal(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, RASTER.replace('"m"', '"t/ha"'), yields='layers = ["elevation"]')
    assert plan.yield_goal.layers == ("elevation",)
