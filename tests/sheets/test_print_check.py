"""The correction from a length read on the print, and its uncertainty by the GUM."""

from __future__ import annotations

import math

import pytest

from fragarea.cli import print_check as command
from fragarea.errors import SettingsProblem
from fragarea.sheets import print_check
from fragarea.sheets.print_check import print_correction, reading_in_mm, ruler_u_mm


def test_scatter_step_and_ruler_combine_as_worked_by_hand() -> None:
    # By hand, JCGM 100:2008: readings 250.5, 250.0, 250.5 mm have mean 250.33333 and s = 0.2886751;
    # type A   s^2 / 3      = 0.0277778   (4.2.3)
    # step     2 x 0.5^2/12 = 0.0416667   (F.2.2.1, both ends)
    # ruler    0.5^2 / 3    = 0.0833333   (4.3.7)
    # u = sqrt(0.1527778) = 0.3908680 mm; over 250 mm: 0.001563472.
    found = print_correction(250.0, [250.5, 250.0, 250.5])
    assert found.mean_mm == pytest.approx(250.3333333)
    assert found.factor == pytest.approx(1.001333333)
    assert found.u_rel == pytest.approx(0.001563472, rel=1e-6)
    assert not found.differs


def test_repeated_readings_scatter_as_in_the_gum_example() -> None:
    # JCGM 100:2008, table H.2 (result from memory): five readings of V, mean 4.9990, standard deviation of the
    # mean 0.0032 (volts there, millimetres here).
    found = print_correction(5.0, [5.007, 4.994, 5.005, 4.990, 4.999], reading_u_mm=0.0)
    assert found.mean_mm == pytest.approx(4.9990, abs=5e-5)
    assert 5.0 * found.u_rel == pytest.approx(0.0032, abs=5e-5)


def test_reading_to_a_step_is_029_of_the_step_at_each_end() -> None:
    # JCGM 100:2008, F.2.2.1: u = 0.29 delta_x.
    assert ruler_u_mm(1.0, 0.0) / math.sqrt(2) == pytest.approx(0.29, abs=0.002)


def test_ruler_error_is_rectangular_within_its_limit() -> None:
    # JCGM 100:2008, 4.3.7: a / sqrt(3).
    assert ruler_u_mm(0.0, 0.3) == pytest.approx(0.1732051)


def test_more_readings_do_not_make_the_ruler_better() -> None:
    one = print_correction(250.0, [250.0])
    many = print_correction(250.0, [250.0] * 30)
    assert one.u_rel == many.u_rel == pytest.approx(ruler_u_mm() / 250.0)


def test_longer_length_gives_a_better_correction() -> None:
    assert print_correction(250.0, [250.0]).u_rel < print_correction(60.0, [60.0]).u_rel / 4


def test_print_that_is_clearly_off_differs() -> None:
    assert print_correction(250.0, [248.0]).differs
    assert print_correction(250.0, [248.0]).factor == pytest.approx(0.992)


@pytest.mark.parametrize(
    ("readings", "message"),
    [
        ([242.4], "fit to page"),
        ([258.0, 250.0], "fit to page"),
        ([25.0], "read in cm"),
        ([9.84], "read in inches"),
        ([], "Measure the length at least once"),
        ([-250.0], "must be a length"),
        ([math.nan], "must be a length"),
        ([math.inf], "must be a length"),
        ([247.0, 250.0], "3.0 mm apart"),
    ],
)
def test_implausible_readings_are_refused_with_advice(readings: list[float], message: str) -> None:
    with pytest.raises(SettingsProblem, match=message):
        print_correction(250.0, readings)


def test_3_percent_off_is_the_last_that_is_taken() -> None:
    assert print_correction(200.0, [194.1]).factor == pytest.approx(0.9705)
    with pytest.raises(SettingsProblem, match=r"-3\.1 %"):
        print_correction(200.0, [193.8])


@pytest.mark.parametrize("bad", [{"nominal_mm": 0.0}, {"nominal_mm": math.nan}, {"reading_u_mm": -1.0}])
def test_wrong_arguments_are_told_to_the_programmer(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be"):
        print_correction(**({"nominal_mm": 250.0, "readings_mm": [250.0]} | bad))  # type: ignore[arg-type]


@pytest.mark.parametrize(("step", "limit"), [(-0.5, 0.5), (0.5, math.nan), (0.0, 0.0)])
def test_impossible_ruler_is_refused(step: float, limit: float) -> None:
    with pytest.raises(SettingsProblem, match="ruler"):
        ruler_u_mm(step, limit)


@pytest.mark.parametrize(
    ("words", "mm"), [("250.5", 250.5), ("250,5", 250.5), (" 250,5 mm", 250.5), ("250.5MM", 250.5), ("250", 250.0)]
)
def test_reading_may_have_a_decimal_comma_and_its_unit(words: str, mm: float) -> None:
    assert reading_in_mm(words) == mm


@pytest.mark.parametrize("words", ["", "abc", "250.5 cm", "2,500,5", "1e"])
def test_word_that_is_no_length_is_refused(words: str) -> None:
    with pytest.raises(SettingsProblem, match="is not a length"):
        reading_in_mm(words)


def test_help_shows_the_ruler_that_is_used() -> None:
    assert (command.RULER_STEP_MM, command.RULER_LIMIT_MM) == (print_check.RULER_STEP_MM, print_check.RULER_LIMIT_MM)
