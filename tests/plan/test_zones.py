"""`[zones]`: every source has its keys, and a key of another source is refused."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from vrx.errors import PlanError
from vrx.plan import Plan, load_plan

SAMPLE = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle" / "plan.toml"
STRIPS = 'from = "soil classes"\ndriving_deg = 0\n[zones.strips]\nwidth_ft = 60\n'
LAYER = '[[layer]]\nname = "elevation"\nfile = "dem.tif"\nunit = "m"\nband = 1\n'


def plan_of(tmp_path: Path, zones: str, *, layers: str = "") -> Plan:
    text = SAMPLE.read_text(encoding="utf-8")
    start = text.index("[zones]")
    end = start + re.search(r"\n\[", text[start:]).start()
    path = tmp_path / "plan.toml"
    path.write_text(f"{text[:start]}{layers}\n[zones]\n{zones}{text[end:]}", encoding="utf-8")
    return load_plan(path)


def test_every_source_with_all_its_keys(tmp_path: Path) -> None:
    zones = plan_of(tmp_path, """from = "clusters"
nutrients = ["potassium", "cec"]
layers = ["elevation"]
driving_deg = 15
smooth_ft = 20
simplify_ft = 10
[zones.clusters]
number = 4
way = "k-means"
most = 6
blur_ft = 0
seed = 7
[zones.strips]
width_ft = 60
number = 4
treatments = ["a", "b"]
seed = 2
start_ft = 100
""", layers=LAYER).zones
    assert (zones.clusters.number, zones.clusters.way, zones.clusters.blur_ft) == (4, "k-means", 0)
    assert (zones.strips.treatments, zones.driving_deg) == (("a", "b"), 15.0)
    assert zones.cluster_nutrients() == ("potassium", "cec")
    only = plan_of(tmp_path, 'from = "clusters"\nlayers = ["elevation"]\n', layers=LAYER).zones
    assert only.cluster_nutrients() == ()
    rate = plan_of(tmp_path, 'from = "rate classes"\n[zones.rate]\npass = "after-first"\n').zones
    assert rate.rate.of_pass == "after-first"
    cells = plan_of(tmp_path, 'from = "grid cells"\ncell_ac = 2.5\n').zones
    assert (cells.most_of("grid cells"), cells.most_of("soil classes")) == (400, 12)
    stated = plan_of(tmp_path, 'from = "grid cells"\ncell_ac = 2.5\nmost_zones = 30\n').zones
    assert stated.most_of("grid cells") == 30
    wheel = plan_of(
        tmp_path, 'from = "pivot sectors"\n[zones.sectors]\nnumber = 4\nfirst_deg = 10\n').zones
    assert wheel.sectors.lines() == (10.0, 100.0, 190.0, 280.0)
    units = plan_of(tmp_path, 'from = "soil map units"\npolygons = "s.gpkg"\n'
                    'label_column = "MUSYM"\ncross_with = "grid cells"\ncell_ac = 5.0\n').zones
    assert units.cross_with == "grid cells"


@pytest.mark.parametrize(("zones", "words"), [
    ('from = "kriging"\n', ["zones.from", "soil classes"]),
    ('from = "clusters"\n', ["layers, nutrients"]),
    ('from = "clusters"\nlayers = ["height"]\n', ["'height'", "[[layer]]"]),
    ('from = "clusters"\nlayers = ["elevatoin"]\n', ["did you mean 'elevation'"]),
    ('from = "clusters"\nlayers = ["elevation", "elevation"]\n', ["twice"]),
    ('from = "soil classes"\nlayers = ["elevation"]\n', ["layers belongs to", "clusters"]),
    ('from = "soil classes"\ncell_ac = 2.5\n', ["cell_ac belongs to", "grid cells"]),
    ('from = "grid cells"\n', ["cell_ac"]),
    ('from = "grid cells"\ncell_ac = 0\n', ["cell_ac", "greater than 0"]),
    ('from = "grid cells"\ncell_ac = "2.5"\n', ["cell_ac", "number"]),
    ('from = "own polygons"\n', ["polygons"]),
    ('from = "soil map units"\npolygons = "a.gpkg"\n', ["label_column"]),
    ('from = "pivot sectors"\n', ["[zones.sectors]"]),
    ('from = "pivot sectors"\n[zones.sectors]\nfirst_deg = 3\n', ["angles_deg"]),
    ('from = "pivot sectors"\n[zones.sectors]\nnumber = 4\nangles_deg = [0, 9]\n', ["not both"]),
    ('from = "pivot sectors"\n[zones.sectors]\nring_radii_ft = [-3]\n', ["ring_radii_ft"]),
    ('from = "soil classes"\ncross_with = "grid cells"\n', ["cell_ac"]),
    ('from = "grid cells"\ncell_ac = 3\ncross_with = "grid cells"\n', ["cross_with"]),
    ('from = "soil classes"\ndriving_deg = 400\n', ["driving_deg"]),
    ('from = "soil classes"\n[zones.strips]\nwidth_ft = 60\nnumber = 4\n', ["driving_deg"]),
    (STRIPS + 'number = 3\ntreatments = ["a", "b"]\n', ["multiple"]),
    (STRIPS + 'number = 2\ntreatments = ["a", "a"]\n', ["'a' stands twice"]),
    ('from = "soil classes"\n[zones.clusters]\nnumber = 3\n', ["clusters belongs to"]),
    ('from = "clusters"\nlayers = ["elevation"]\n[zones.clusters]\nfewest = 5\nmost = 3\n',
     ["below fewest"]),
    ('from = "clusters"\nlayers = ["elevation"]\n[zones.clusters]\nways = "k"\n', ["'way'"]),
    ('from = "rate classes"\n[zones.rate]\npass = "never"\n', ["'never'", "after-first"]),
    ('from = "rate classes"\n[zones.rate]\nmost_classes = 1\n', ["most_classes"]),
])
def test_faults_name_key_and_remedy(tmp_path: Path, zones: str, words: list[str]) -> None:
    with pytest.raises(PlanError) as caught:
        plan_of(tmp_path, zones, layers=LAYER)
    for word in words:
        assert word in str(caught.value.message), caught.value.message
