"""Response functions and the rates that pay: printed functions, closed forms, general optimisers.

Sources: Heady, Pesek and Brown 1955 (Iowa Research Bulletin 424) and Pesek and Heady 1958 (Soil
Science Society of America Proceedings 22:419) for the alfalfa function and the least sensible rate;
scipy.optimize as the judge of every optimum.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from vrx.errors import ComputeError, RuleError
from vrx.model import Response
from vrx.trials import (
    best_rate,
    check_response,
    least_sensible_rate,
    published_response,
    published_responses,
    yield_at,
)

IOWA = "iowa-1952-alfalfa"


def response(form: str, *, least: float = 0.0, most: float = 400.0, **terms: float) -> Response:
    return Response(nutrient="K2O", form=form, terms=terms, least=least, most=most,
                    source="invented", evidence="user")


def test_the_iowa_function_is_the_printed_one() -> None:
    one = published_response(IOWA)

    def printed(k: float, p: float) -> float:
        return (1.8735521 - 0.0013943 * k - 0.0050195 * p + 0.0617458 * k**0.5
                + 0.1735383 * p**0.5 - 0.0014402 * (k * p) ** 0.5)

    for p in (0.0, 40.0, 80.0, 160.0, 320.0):
        for k in (0.0, 40.0, 80.0, 200.0, 320.0):
            assert float(yield_at(one.at(p), k)) == pytest.approx(printed(k, p), abs=1e-12)


# sqrt(K*) = 0.5 (0.0617458 - 0.0014402 sqrt(P)) / (r + 0.0013943), worked out by hand from the
# printed coefficients; 490 lies outside the rates tried.
@pytest.mark.parametrize(("ratio", "p", "rate"), [
    (0.0, 0.0, None), (0.0, 80.0, 307), (0.0, 160.0, 244),
    (0.001, 0.0, 166), (0.001, 80.0, 104), (0.001, 160.0, 83),
    (0.002, 0.0, 83), (0.002, 80.0, 52), (0.002, 160.0, 41),
    (0.0025, 0.0, 63), (0.0025, 80.0, 39), (0.0025, 160.0, 31),
])
def test_derived_optima_of_the_iowa_function(ratio: float, p: float, rate: int | None) -> None:
    best = best_rate(published_response(IOWA).at(p), tons_per_lb=ratio)
    if rate is None:
        assert (best.rate_lb_per_ac, best.edge) == (320.0, "most")
    else:
        assert round(best.rate_lb_per_ac) == rate
        assert best.edge == ""


def test_a_rate_beside_it_that_was_not_tried_is_refused() -> None:
    with pytest.raises(RuleError, match="0 to 320"):
        published_response(IOWA).at(400.0)
    with pytest.raises(RuleError) as caught:
        published_response("iowa-1952-alfafa")
    assert IOWA in caught.value.hint


def test_every_published_function_says_where_it_comes_from() -> None:
    for one in published_responses().values():
        assert one.publication
        assert one.evidence in {"read", "computed", "from memory"}
        check_response(one.at(one.beside_least), where=one.id)


RATES = st.floats(0.0005, 0.05)
CURVES = st.one_of(
    st.builds(lambda a, b, c: response("quadratic", a=a, b=b, c=-c),
              st.floats(0, 5), st.floats(1e-3, 0.05), st.floats(1e-6, 1e-3)),
    st.builds(lambda a, b, c: response("quadratic-plateau", a=a, b=b, c=-c),
              st.floats(0, 5), st.floats(1e-3, 0.05), st.floats(1e-6, 1e-3)),
    st.builds(lambda a, b, join: response("linear-plateau", a=a, b=b, join=join),
              st.floats(0, 5), st.floats(1e-3, 0.05), st.floats(1, 600)),
    st.builds(lambda a, b, c: response("mitscherlich", a=a + b, b=b, c=c),
              st.floats(0, 5), st.floats(0.1, 5), st.floats(1e-3, 0.2)),
    st.builds(lambda a, b, c: response("square-root", a=a, b=b, c=c),
              st.floats(0, 5), st.floats(-0.01, 0.01), st.floats(1e-3, 0.3)),
)


@given(CURVES, RATES)
def test_no_rate_of_a_fine_search_pays_more(curve: Response, ratio: float) -> None:
    check_response(curve, where="invented")
    best = best_rate(curve, tons_per_lb=ratio)
    rates = np.linspace(curve.least, curve.most, 4001)
    profits = yield_at(curve, rates) - ratio * rates
    mine = float(yield_at(curve, best.rate_lb_per_ac)) - ratio * best.rate_lb_per_ac
    assert mine >= profits.max() - 1e-9
    assert curve.least <= best.rate_lb_per_ac <= curve.most
    gain = float(yield_at(curve, best.rate_lb_per_ac) - yield_at(curve, curve.least))
    assert best.gain_tons_per_ac == pytest.approx(gain, abs=1e-12)


@given(CURVES, RATES, RATES)
def test_a_dearer_nutrient_never_raises_the_rate(curve: Response, one: float, two: float) -> None:
    low, high = sorted((one, two))
    assert best_rate(curve, tons_per_lb=high).rate_lb_per_ac <= (
        best_rate(curve, tons_per_lb=low).rate_lb_per_ac + 1e-9)


@given(s=st.floats(0.005, 0.05), t=st.floats(1e-5, 1e-3), m=st.floats(1.0, 30.0),
       r=st.floats(0.1, 1.0))
def test_least_sensible_rate_is_the_root_of_pesek_and_heady(
    s: float, t: float, m: float, r: float
) -> None:
    curve = response("quadratic", most=2000.0, a=2.0, b=s, c=-t)
    found = least_sensible_rate(curve, usd_per_lb=r, usd_per_ton=200.0, fixed_usd_per_ac=m)
    gain = 200.0  # the gain in dollars is 200 (s x - t x²)

    def root(x: float) -> float:
        return gain * s * m - 2 * gain * t * m * x - gain * t * r * x**2

    assert found is not None
    assert found == pytest.approx(brentq(root, 0.0, s / t), rel=1e-4)
    # It never lies above the rate that pays most where going there pays at all.
    best = best_rate(curve, tons_per_lb=r / 200.0).rate_lb_per_ac
    profit = 200.0 * float(yield_at(curve, best) - 2.0) - r * best
    if profit > m:
        assert found <= best * (1 + 1e-6)


def test_least_sensible_rate_of_a_plateau_is_its_join() -> None:
    curve = response("linear-plateau", a=3.0, b=0.02, join=60.0)
    assert least_sensible_rate(curve, usd_per_lb=0.4, usd_per_ton=200.0,
                               fixed_usd_per_ac=8.0) == pytest.approx(60.0)
    assert least_sensible_rate(curve, usd_per_lb=0.4, usd_per_ton=200.0,
                               fixed_usd_per_ac=0.0) == 0.0


@pytest.mark.parametrize(("made", "said"), [
    (response("parabola", a=1, b=1, c=-1), "no form 'parabola'"),
    (response("quadratic", a=1, b=1), "c is missing"),
    (response("linear-plateau", a=1, b=1, join=9, c=2), "c does not belong"),
    (response("quadratic", a=1, b=0.1, c=0.001), "c = 0.001"),
    (response("quadratic", a=1, b=float("nan"), c=-1), "b is nan"),
    (response("square-root", a=1, b=-0.1, c=-0.1), "no rate that pays most"),
    (response("quadratic", least=50, most=50, a=1, b=1, c=-1), "no span"),
])
def test_what_cannot_say_a_rate_is_refused(made: Response, said: str) -> None:
    with pytest.raises(ComputeError, match=said) as caught:
        check_response(made, where="[response.potassium]")
    assert caught.value.where == "[response.potassium]"
    assert caught.value.hint


def test_nothing_is_said_beyond_the_rates_tried() -> None:
    curve = response("mitscherlich", least=20.0, most=100.0, a=6.0, b=3.0, c=0.01)
    assert best_rate(curve, tons_per_lb=0.0) .edge == "most"
    assert float(yield_at(curve, 500.0)) == float(yield_at(curve, 100.0))
    dear = best_rate(curve, tons_per_lb=1.0)
    assert (dear.rate_lb_per_ac, dear.edge, dear.gain_tons_per_ac) == (20.0, "least", 0.0)
    with pytest.raises(ComputeError):
        best_rate(curve, tons_per_lb=-0.1)
