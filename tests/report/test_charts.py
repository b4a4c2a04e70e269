"""Charts: the drawn model is the fitted one; each drawing is well formed and spoken."""

import xml.etree.ElementTree as ET

import gstools
import numpy as np
import pytest

from vrx.model import Variogram
from vrx.report import charts, frame


@pytest.mark.parametrize(("name", "model"), [("exponential", gstools.Exponential),
                                             ("spherical", gstools.Spherical)])
def test_the_line_is_the_model_that_a_general_library_draws(name, model):
    # GSTools, own parametrisation switched to the plain length scale of the textbook formula.
    ours = Variogram(model=name, nugget=12.0, partial_sill=80.0, range_m=140.0)
    theirs = model(dim=2, var=80.0, len_scale=140.0, nugget=12.0, rescale=1.0)
    distance = np.linspace(1.0, 600.0, 50)
    assert charts.semivariance(ours, distance) == pytest.approx(theirs.variogram(distance))


def test_the_smooth_line_is_the_matern_model_of_a_general_library():
    # GSTools writes sqrt(nu) h / length inside: with nu 3/2, sqrt(3/2) times our length scale.
    ours = Variogram(model="matern-3/2", nugget=12.0, partial_sill=80.0, range_m=140.0)
    theirs = gstools.Matern(dim=2, var=80.0, len_scale=140.0 * 1.5**0.5, nugget=12.0, nu=1.5)
    distance = np.linspace(1.0, 900.0, 50)
    assert charts.semivariance(ours, distance) == pytest.approx(theirs.variogram(distance))


def test_an_unknown_model_draws_no_line(job):
    strange = Variogram(model="wavy", nugget=1, partial_sill=1, range_m=1)
    assert charts.semivariance(strange, np.array([1.0])) is None


def test_a_nice_scale_bar_is_a_real_length(job):
    placed = frame.frame_for(job.field.boundary, top=40)
    west, south, east, north = job.field.boundary.bounds
    corners = placed.places(np.array([[west, north], [east, south]]))
    run = corners[1] - corners[0]
    assert run == pytest.approx([(east - west) * placed.units_per_m,
                                 (north - south) * placed.units_per_m])
    root = ET.fromstring("<g>" + frame.furniture(placed)[0] + "</g>")  # noqa: S314
    texts = [t.text for t in root.iter("text")]
    bars = [line for line in root.iter("line") if line.get("y1") == line.get("y2")]
    for bar, metres_per_unit in zip(bars, (0.3048, 1.0), strict=True):
        length = float(bar.get("x2")) - float(bar.get("x1"))
        said = texts[bars.index(bar)].split()
        metres = float(said[0].replace(",", "")) * metres_per_unit
        assert said[1] == {0.3048: "ft", 1.0: "m"}[metres_per_unit]
        assert length == pytest.approx(metres * placed.units_per_m, abs=0.11)


def test_bars_and_lines_of_the_balance_are_to_scale(job):
    balance = job.prescription.balances[0]
    root = ET.fromstring(  # noqa: S314
        charts.balance_chart(key="b", balance=balance, zones=job.zones.zones)
    )
    widths = np.array([float(r.get("width")) for r in root.iter("rect")])
    assert np.corrcoef(widths, balance.brought)[0, 1] > 0.9999
    assert widths / widths.max() == pytest.approx(balance.brought / balance.brought.max(), abs=2e-3)
