"""Fields of known truth: no invalid coverage, area to 1e-9, little strays from the merged raster.

`scripts/bench/zones.py` runs the same on a thousand fields.
"""

from __future__ import annotations

import runpy
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import shapely

from vrx.geo import grid_over
from vrx.geo import trace as tracing
from vrx.units import ACRE_M2
from vrx.zones import ClassLayer, zones_from_classes
from vrx.zones import _cut as cut

_FIELDS = runpy.run_path(str(Path(__file__).with_name("fields.py")))
BREAKS = (80.0, 110.0, 140.0, 170.0)
LABELS = tuple("abcde")
ROUNDS = 10


@pytest.mark.parametrize("kind", _FIELDS["TRUTHS"])
def test_sixty_fields(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    merged: list[tuple[np.ndarray, np.ndarray]] = []
    ways: Counter[str] = Counter()
    clean = cut.clean

    def kept(**given):
        cleaned = clean(**given)
        merged.append((cleaned.classes, given["inside"]))
        return cleaned

    def counting(name):
        way = getattr(tracing, name)

        def counted(*given):
            ways[name] += 1
            return way(*given)

        return counted

    monkeypatch.setattr(cut, "clean", kept)
    for name in ("_by_intersection", "_by_noding"):
        monkeypatch.setattr(tracing, name, counting(name))
    for seed in range(ROUNDS):
        boundary = _FIELDS["known_truth"](kind, 500 + seed)
        grid = grid_over(boundary, cell_m=5.0)
        east, north = np.meshgrid(grid.easting_m, grid.northing_m)
        values = _FIELDS["truth_surface"](kind, seed, east, north)
        zones = zones_from_classes(
            boundary=boundary, crs_centre=_FIELDS["CENTRE"], grid=grid, layers=[ClassLayer(
                analyte="k", label="K", values=values, breaks=BREAKS, class_labels=LABELS)],
            smallest_ac=2.0, narrowest_m=18.3, driving_deg=None if seed % 2 else 36.0 * seed)
        polygons = np.array([zone.polygon for zone in zones.zones], dtype=object)
        assert shapely.is_valid(polygons).all()
        assert shapely.coverage_is_valid(polygons)
        assert shapely.area(polygons).sum() == pytest.approx(boundary.area, rel=1e-9)
        assert len(polygons) <= 12
        parts = [part.area for part in shapely.get_parts(boundary)]
        for polygon in polygons:
            assert polygon.area >= 2.0 * ACRE_M2 * (1 - 1e-9) or any(
                abs(polygon.area / part - 1) < 1e-6 for part in parts)
        assert _strayed(zones, *merged[-1], east, north) < 0.02
    # The fallback is rare and counted.
    assert ways["_by_intersection"] >= ROUNDS
    assert ways["_by_noding"] <= 1


def _strayed(zones, classes, inside, east, north) -> float:
    """Share of the cells whose zone has another class than the merged raster there."""
    points = shapely.points(east[inside], north[inside])
    found = np.full(len(points), -1)
    point, zone = shapely.STRtree([one.polygon for one in zones.zones]).query(
        points, predicate="intersects")
    names = sorted({one.label for one in zones.zones})
    found[point] = np.array([names.index(one.label) for one in zones.zones])[zone]
    truth = classes[inside]
    same = sum(
        np.bincount(found[(truth == kind) & (found >= 0)]).max() for kind in np.unique(truth)
        if ((truth == kind) & (found >= 0)).any())
    return 1.0 - same / (found >= 0).sum()
