import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fragarea.report.rounding import format_area, round_area, round_pair


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        # Particle Data Group, Review of Particle Physics, Introduction, "Rounding": its two examples (from memory)
        (0.827, 0.119, ("0.83", "0.12")),
        (0.827, 0.367, ("0.8", "0.4")),
        # JCGM 100:2008, 7.2.6: 10.057 62 ohm with 27 milliohm is 10.058 ohm (from memory)
        (10.05762, 0.027, ("10.058", "0.027")),
        # the rule at its limits: 354 keeps two digits, 355 one, 949 one, 950 becomes 1000 with two
        (1.0, 0.0354, ("1.000", "0.035")),
        (1.0, 0.0355, ("1.00", "0.04")),
        (1.0, 0.0949, ("1.00", "0.09")),
        (1.0, 0.0950, ("1.00", "0.10")),
        # an uncertainty of more than 100 rounds before the point, without an exponent
        (12345.6, 1234.0, ("12300", "1200")),
    ],
)
def test_value_and_uncertainty_are_rounded_to_the_same_place(value, uncertainty, expected):
    assert round_pair(value, uncertainty) == expected


def test_tie_for_the_reader_goes_to_the_even_digit():
    # 2.675 is a tie as written, although the double lies a little below it
    assert round_area(267.5, 20.0) == ("2.68", "0.20")
    assert round_area(266.5, 20.0) == ("2.66", "0.20")


def test_area_is_shown_in_cm2():
    assert format_area(140.2, 5.12) == "1.40 ± 0.05 cm²"


def test_small_negative_area_shows_no_minus_zero():
    assert round_area(-0.01, 30.0) == ("0.00", "0.30")


def test_unknown_uncertainty_is_a_question_mark():
    assert format_area(140.2, math.nan) == "1.40 ± ? cm²"
    assert format_area(140.2, math.inf) == "1.40 ± ? cm²"


def test_area_without_uncertainty_keeps_three_digits():
    assert round_pair(1.23456, 0.0) == ("1.23", "0")


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_value_that_is_no_number_is_refused(value):
    with pytest.raises(ValueError, match="value must be finite"):
        round_pair(value, 0.1)


def test_negative_uncertainty_is_refused():
    with pytest.raises(ValueError, match="must not be negative"):
        round_pair(1.0, -0.1)


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 9.4))
def test_rounding_moves_by_half_a_unit_at_most_and_keeps_at_most_two_digits(value, uncertainty):
    # JCGM 100:2008, 7.2.6: at most two significant digits
    shown_value, shown_u = (Decimal(text) for text in round_pair(value, uncertainty))
    assert shown_value.as_tuple().exponent == shown_u.as_tuple().exponent
    assert 1 <= len(shown_u.as_tuple().digits) <= 2
    unit = Decimal(1).scaleb(shown_u.as_tuple().exponent)
    assert abs(shown_value - Decimal(repr(value))) <= unit / 2
    assert abs(shown_u - Decimal(repr(uncertainty))) <= unit / 2
