"""Numbers, bags and labels of a crew."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import shapely

from vrx.model import CrewPoint
from vrx.sampling import bag_labels, cautions, crew_points, practice

ZONES = (("A", shapely.box(0, 0, 400, 400)), ("B", shapely.box(400, 0, 800, 400)),
         ("C", shapely.box(800, 0, 900, 400)))
GROUND = shapely.box(15, 15, 885, 385)
CENTRE = (-85.55, 41.93)


def crew(*, plants: bool = True, one_in: int = 10, zones=ZONES) -> tuple[CrewPoint, ...]:
    east, north = np.meshgrid(np.arange(50.0, 800.0, 100.0), np.arange(50.0, 400.0, 100.0))
    places = np.column_stack([east.ravel(), north.ravel()])
    letters = ["A" if p[0] < 400 else "B" for p in places] if zones else [""] * len(places)
    count = len(places)
    return crew_points(
        places=places, letters=letters, whys=["first sampling"] * count, ranks=[None] * count,
        gains=[None] * count, start=np.array([0.0, 0.0]), crs_centre=CENTRE, zones=zones,
        second_bag_one_in=one_in, plants=plants, ground=GROUND)


def test_points_are_numbered_along_the_walk_and_none_is_lost() -> None:
    points = crew()
    assert [one.number for one in points] == list(range(1, 34))
    assert sum(one.soil for one in points) == 32
    step = np.hypot(*np.diff([[p.easting_m, p.northing_m] for p in points], axis=0).T)
    assert step.mean() < 115.0


def test_every_zone_gets_one_plant_sample_in_its_middle_even_without_a_point() -> None:
    points = crew()
    asked = {one.zone: one for one in points if one.plants}
    assert set(asked) == {"A", "B", "C"}
    assert not asked["C"].soil
    assert asked["A"].soil
    assert np.hypot(asked["A"].easting_m - 200, asked["A"].northing_m - 200) < 75.0
    assert Counter(one.zone for one in points if one.plants).most_common(1)[0][1] == 1
    assert not any(one.plants for one in crew(plants=False))
    assert sum(one.plants for one in crew(zones=())) == 1


def test_every_zone_with_points_gets_a_second_bag_to_check() -> None:
    held = Counter(one.zone for one in crew() if one.second_bag)
    assert set(held) == {"A", "B"}
    assert all(1 <= n <= 2 for n in held.values())
    assert Counter(one.zone for one in crew(one_in=1000) if one.second_bag) == {"A": 1, "B": 1}
    assert not any(one.second_bag for one in crew(one_in=0))
    assert all(one.soil for one in crew() if one.second_bag)


def test_labels_one_for_every_bag_and_second_bags_under_numbers_of_their_own() -> None:
    points = crew()
    labels = bag_labels(field_name="Kettle pivot", points=points,
                        depths_in=((0.0, 8.0), (8.0, 24.0)), plant_words="top 6 in, bud")
    soil = [one for one in labels if one.what.startswith("soil")]
    second = [one for one in points if one.second_bag]
    assert len(soil) == 2 * (32 + len(second))
    assert [one.what for one in labels if "plants" in one.bag] == ["top 6 in, bud"] * 3
    # No two bags carry the same words.
    assert len({(one.bag, one.what) for one in labels}) == len(labels)
    own = {one.bag for one in soil if one.bag.isdigit() and int(one.bag) > len(points)}
    assert len(own) == len(second)


def test_degrees_are_those_of_the_place() -> None:
    # Reference: geodesics of pyproj from the centre of the projection, which keeps areas, not
    # lengths: 1 in 100,000.
    import pyproj

    for one in crew()[::7]:
        _, _, far = pyproj.Geod(ellps="WGS84").inv(*CENTRE, one.longitude, one.latitude)
        assert far == pytest.approx(np.hypot(one.easting_m, one.northing_m), rel=2e-5)


def test_figures_of_practice_carry_their_sources_and_cautions_stay() -> None:
    held = practice()
    assert 8 <= held.cores <= 10  # N.C. State Extension: 8 to 10 cores about a grid point
    assert held.core_radius_ft == 15  # within a 15 to 30 ft circle: right for either reading
    assert held.zone_cores == 15  # Oklahoma State: at least 15 subsamples
    assert held.most_ac_per_sample == 25  # Tri-State 2020
    assert 0.5 < held.sure_from < 1
    evidence = ("(read)", "(computed)", "(from memory)", "(common practice, no source)")
    assert all(words.endswith(evidence) for words in held.sources.values())
    told = " ".join(cautions())
    for word in ("811", "Livestock", "Wet ground", "locked out", "label"):
        assert word in told
    assert all(words.endswith(evidence) for words in cautions())
