"""What laboratories write, and units and forms against published factors.

K2O to K 0.8301, P2O5 to P 0.4365: Virginia Cooperative Extension SPES-201. SO4 to S 0.3338: molar
masses of IUPAC. lb/ac to ppm by 2 for 6 inches: UF/IFAS HS1229. meq/100 g to ppm K by 391: atomic
weight 39.098 x 10. Half the limit for a result below it: common practice, no source; ITRC ISM-1
section 4.2.3 describes it.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.formats.soil_methods import (
    FORMS_OF,
    METHODS,
    UNITS_OF,
    form_named,
    method_named,
    methods_of,
    unit_named,
    unit_spelled,
)
from vrx.intake._convert import oxide_in_heading, to_kept_unit, unit_in_heading
from vrx.intake._depths import depth_of
from vrx.intake._numbers import decide_mark, degrees_of, number_of, reading_of
from vrx.model import ANALYTES


@pytest.mark.parametrize(("text", "kind", "value", "limit"), [
    ("<2", "below", 1.0, 2.0), ("< 2", "below", 1.0, 2.0), ("2", "value", 2.0, None),
    ("1.9", "value", 1.9, None), ("0", "value", 0.0, None), (">500", "above", 500.0, 500.0),
    ("ND", "undetected", None, None), ("BDL", "undetected", None, None),
    ("trace", "undetected", None, None), ("--", "missing", None, None),
    ("n/a", "missing", None, None), ("", "missing", None, None), ("168VH", "value", 168.0, None),
    ("28 L", "value", 28.0, None), ("<0.5*", "below", 0.25, 0.5), ("=31", "value", 31.0, None),
    ("12?", "value", 12.0, None), ("1,250", "value", 1250.0, None), ("-5", "value", -5.0, None),
    ("3.2 %", "value", 3.2, None), ("≤ 4", "below", 2.0, 4.0), ("12-14", "unreadable", None, None),
    ("abc", "unreadable", None, None), ("1.2.3", "unreadable", None, None),
    ("10/01", "unreadable", None, None), ("5 ppm", "value", 5.0, None),
    ("1e400", "unreadable", None, None), ("NaN", "missing", None, None),
])
def test_laboratory_notations(text: str, kind: str, value: float | None, limit: float | None
                              ) -> None:
    found = reading_of(text, ".")
    assert found.kind == kind
    assert (math.isnan(found.value) if value is None else found.value == value)
    assert (math.isnan(found.limit) if limit is None else found.limit == limit)


def test_ratings_and_marks_are_kept_as_text() -> None:
    assert reading_of("168VH", ".").rating == "VH"
    assert reading_of("12?", ".").mark == "?"
    assert reading_of("<0.5*", ".").mark == "*"


@given(value=st.floats(0, 99_999, allow_nan=False), decimals=st.integers(0, 3))
@settings(derandomize=True, max_examples=40)
def test_a_number_survives_both_ways_of_writing_it(value: float, decimals: int) -> None:
    want = round(value, decimals)
    us = f"{want:,.{decimals}f}"
    eu = us.translate(str.maketrans(",.", ".,"))
    assert number_of(us, ".") == pytest.approx(want)
    assert number_of(eu, ",") == pytest.approx(want)


def test_the_decimal_mark_is_decided_over_all_columns() -> None:
    def mark(*cells: str, delimiter: str = ";") -> str:
        return decide_mark([("a", cells)], delimiter=delimiter)[0]

    assert mark("1.250", "41,01057") == ","
    assert mark("1,250", "41.01057") == "."
    assert mark("1,250") == ""
    assert mark("1.250", delimiter=",") == "."
    assert mark("1,5", "1.5") == ""
    assert mark("1.250,5") == ","
    assert mark("0,594") == ","


@pytest.mark.parametrize(("text", "degrees"), [
    ("41°00'38.052\"N", 41 + 38.052 / 3600), ("41 00 38.095 N", 41 + 38.095 / 3600),
    ("N41 0.63564", 41 + 0.63564 / 60), ("41-00-38.182N", 41 + 38.182 / 3600),
    ("93º 35′ 27.823″ W", -(93 + 35 / 60 + 27.823 / 3600)), ("-93.5", -93.5),
    ("-93°30'", -93.5), ("41 00 61 N", None), ("41 00 38", None), ("north", None), ("", None),
])
def test_degrees(text: str, degrees: float | None) -> None:
    found = degrees_of(text, ".")
    assert found is None if degrees is None else found == pytest.approx(degrees, abs=1e-9)


@pytest.mark.parametrize(("unit", "form", "depth", "value", "ppm", "rel"), [
    ("ppm", "K", (0, 6), 134, 134, 0), ("mg/kg", "K", (0, 6), 134, 134, 0),
    ("ppm", "K2O", (0, 6), 161.48, 161.48 * 0.8301, 2e-4),
    ("ppm", "P2O5", (0, 6), 38.95, 38.95 * 0.4365, 2e-4),
    ("ppm", "SO4", (0, 24), 30, 30 * 0.3338, 2e-4),
    ("lb/ac", "K", (0, 6), 246, 123, 1e-12), ("lb/ac", "K", (0, 8), 597.3, 224, 1e-4),
    ("lb/ac", "K", (6, 12), 246, 123, 1e-12), ("lb/ac", "K2O", (0, 12), 400, 83.01, 2e-4),
    ("meq/100 g", "K", (0, 6), 0.5, 195.5, 1e-3), ("cmol/kg", "K", (0, 6), 1, 390.98, 1e-4),
    ("% saturation", "K", (0, 6), 3.0, 15 * 3 / 100 * 390.98, 1e-4),
    # Mg 24.305 (two charges) and Na 22.990: IUPAC, abridged atomic weights 2021.
    ("meq/100 g", "Mg", (0, 6), 1, 121.525, 1e-6), ("cmol/kg", "Na", (0, 6), 1, 229.9, 1e-4),
    ("% saturation", "Mg", (0, 6), 12.0, 15 * 12 / 100 * 121.525, 1e-6),
    ("% saturation", "Na", (0, 6), 2.0, 15 * 2 / 100 * 229.9, 1e-4),
    ("lb/ac", "B", (0, 6), 1.4, 0.7, 1e-12),
    # SI brochure: S = 1/ohm; 1 mS/cm = 1 dS/m.
    ("uS/cm", "", (0, 6), 850, 0.85, 1e-12), ("dS/m", "", (0, 6), 0.85, 0.85, 1e-12),
])
def test_units_and_forms(
    *, unit: str, form: str, depth: tuple[float, float], value: float, ppm: float, rel: float
) -> None:
    found = to_kept_unit(value, unit=unit, form=form, depth_in=depth, cec_meq_per_100g=15.0)
    assert found == pytest.approx(ppm, rel=rel or 1e-12)


def test_lb_per_ac_without_a_depth_gives_nothing() -> None:
    assert math.isnan(to_kept_unit(246, unit="lb/ac", form="K", depth_in=None))


def test_vocabulary_names_itself_and_its_aliases() -> None:
    for method in METHODS:
        for analyte in method.analytes:
            for word in (method.name, method.name.upper(), *method.aliases):
                assert method_named(word, analyte=analyte, where="w") == method.name
    for name in ("mehlich-3", "ammonium acetate", "olsen", "bray-1", "morgan", "mehlich-1"):
        assert name in methods_of("potassium")
    for name in ("calcium phosphate", "water", "lithium chloride"):
        assert name in methods_of("sulfate")
    words = [w.casefold() for m in METHODS for w in (m.name, *m.aliases)]
    assert len(words) == len(set(words))
    assert unit_spelled("mmhos/cm") == unit_spelled("mS/cm") == "dS/m"
    assert unit_spelled("µS/cm") == unit_spelled("umhos/cm") == "uS/cm"
    assert unit_spelled("lbs/A") == unit_spelled("LB per acre") == "lb/ac"
    assert set(UNITS_OF) == set(FORMS_OF) == set(ANALYTES)


def test_unknown_words_name_the_nearest_and_the_list() -> None:
    with pytest.raises(InputError, match="did you mean 'mehlich-3'"):
        method_named("melich 3", analyte="potassium", where="w")
    with pytest.raises(InputError, match="is not used for potassium"):
        method_named("calcium phosphate", analyte="potassium", where="w")
    with pytest.raises(InputError, match="'lb/ac'"):
        unit_named("lb/acr", analyte="potassium", where="w")
    with pytest.raises(InputError, match="is not a unit for cec"):
        unit_named("ppm", analyte="cec", where="w")
    with pytest.raises(InputError, match="'SO4-S', 'SO4', 'S'"):
        form_named("sulfur trioxide", analyte="sulfate", where="w")


def test_headings_tell_units_and_oxides_only_where_they_say_so() -> None:
    assert unit_in_heading("K_ppm") == "ppm"
    assert unit_in_heading("P mg/kg") == "mg/kg"
    assert unit_in_heading("K (lbs/A)") == unit_in_heading("K_lb_ac") == "lb/ac"
    assert unit_in_heading("K_M3") is None
    assert unit_in_heading("Potassium") is None
    assert oxide_in_heading("K2O_ppm") == "K2O"
    assert oxide_in_heading("K_ppm") is None


@pytest.mark.parametrize(("text", "heading", "depth"), [
    ("0-6 in", "depth", (0, 6)), ("0-6", "depth_in", (0, 6)), ("6 to 24 inches", "", (6, 24)),
    ('0-8"', "", (0, 8)), ("0-15", "depth cm", (0, 5.91)), ("0-30 cm", "", (0, 11.81)),
    ("top", "", None), ("6-0", "", None),
])
def test_depths(text: str, heading: str, depth: tuple[float, float] | None) -> None:
    assert depth_of(text, heading=heading) == depth
