"""Rates of one fragment against closed forms and published vectors."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest

from fragarea.growth import DAYS_PER_MONTH, ErrorPart, rates_between_visits, rates_over
from tests.growth.samples import START, disc, point


def test_two_areas_give_the_six_growth_numbers() -> None:
    # 1.2 cm2 to 3.7 cm2 in 120 d: algebra worked out apart from this project (formulas of Hoffmann & Poorter 2002 and
    # Kahng, Odle, Wakeman 2024). rel 1e-9: as many digits as the vector states.
    rates = rates_over([point(0, 120.0), point(120, 370.0)])
    assert rates is not None
    assert rates.specific_per_day == pytest.approx(0.009383427190468535, rel=1e-9)
    assert rates.percent_per_month == pytest.approx(33.057086, rel=1e-7)
    assert rates.doubling_days == pytest.approx(73.869298, rel=1e-7)
    assert rates.growth_cm2_per_month == pytest.approx(0.634115, abs=5e-7)
    assert rates.extension_mm_per_month == pytest.approx(1.185037, abs=5e-7)
    assert rates.days == 120


@pytest.mark.parametrize(
    ("radius_mm", "percent", "log_ratio"), [(3, 77.778, 0.575364), (10, 21.000, 0.190620), (20, 10.250, 0.097580)]
)
def test_disc_of_constant_extension_has_falling_percentages(
    radius_mm: float, percent: float, log_ratio: float
) -> None:
    # exact geometry: an edge that moves 1 mm in one month
    rates = rates_over([disc(0, radius_mm), disc(DAYS_PER_MONTH, radius_mm + 1)])
    assert rates is not None
    assert rates.specific_per_day is not None
    assert rates.extension_mm_per_month == pytest.approx(1.0, rel=1e-12)
    assert rates.percent_per_month == pytest.approx(percent, abs=6e-4)
    assert rates.specific_per_day * DAYS_PER_MONTH == pytest.approx(log_ratio, abs=6e-7)


@pytest.mark.parametrize(("days", "u"), [(30, 9.428e-4), (90, 3.143e-4)])
def test_uncertainty_of_specific_rate_from_independent_areas(days: int, u: float) -> None:
    # u(mu) = sqrt(2) 0.02 / t for areas known to 2 % (JCGM 100:2008, equation 10, worked by hand)
    rates = rates_over([point(0, 100.0, 2.0), point(days, 140.0, 2.8)])
    assert rates is not None
    assert rates.specific_u_per_day == pytest.approx(u, rel=2e-4)


def test_one_wrong_print_changes_no_percentage() -> None:
    # exact: a common factor cancels in A2 / A1, and scales r2 - r1 by its square root
    two = rates_over(
        [point(0, 100.0, parts=(ErrorPart(2.0, "print"),)), point(30, 150.0, parts=(ErrorPart(3.0, "print"),))]
    )
    assert two is not None
    assert two.specific_u_per_day == pytest.approx(0.0, abs=1e-12)
    assert two.growth_u_cm2_per_month == pytest.approx(0.02 * two.growth_cm2_per_month, rel=1e-9)
    assert two.extension_u_mm_per_month == pytest.approx(0.01 * two.extension_mm_per_month, rel=1e-9)


def test_uncertainties_are_those_of_simulated_areas() -> None:
    # Monte Carlo, JCGM 101: 200 000 draws of areas with a common and an own error; 1 %: their own scatter is 0.2 %
    rng = np.random.default_rng(11)
    n, days = 200_000, 45.0
    a1 = 100 + 1.5 * (common := rng.normal(size=n)) + 1.0 * rng.normal(size=n)
    a2 = 160 + 2.4 * common + 2.0 * rng.normal(size=n)
    rates = rates_over(
        [
            point(0, 100.0, parts=(ErrorPart(1.5, "scale"), ErrorPart(1.0))),
            point(days, 160.0, parts=(ErrorPart(2.4, "scale"), ErrorPart(2.0))),
        ]
    )
    assert rates is not None
    months = days / DAYS_PER_MONTH
    extension = (np.sqrt(a2 / math.pi) - np.sqrt(a1 / math.pi)) / months
    assert rates.extension_u_mm_per_month == pytest.approx(extension.std(), rel=0.01)
    assert rates.growth_u_cm2_per_month == pytest.approx(((a2 - a1) / 100 / months).std(), rel=0.01)
    mu = np.log(a2 / a1) / days
    assert rates.specific_u_per_day == pytest.approx(mu.std(), rel=0.01)
    assert rates.percent_u_per_month == pytest.approx((100 * (np.exp(mu * DAYS_PER_MONTH) - 1)).std(), rel=0.02)
    assert rates.doubling_u_days == pytest.approx((math.log(2) / mu).std(), rel=0.02)


def test_slope_through_many_points_covers_the_truth() -> None:
    # simulated: seven visits, own error 2 % of the area; of 2 000 intervals at 95 % between 93 and 98 of 100 must
    # hold the truth. A Birge factor only widens, so slightly more than 95.
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(2_000):
        radii = 6 + 0.6 * np.arange(7)
        areas = math.pi * radii**2 * (1 + 0.02 * rng.normal(size=7))
        rates = rates_over([point(DAYS_PER_MONTH * i, area, 0.02 * area) for i, area in enumerate(areas)])
        assert rates is not None
        held += abs(rates.extension_mm_per_month - 0.6) < 1.96 * rates.extension_u_mm_per_month
    assert 0.93 < held / 2_000 < 0.98


@pytest.mark.parametrize(
    ("row", "start_cm2", "end_cm2", "percent", "log_ratio", "extension_mm"),
    [
        ("C14", 0.165, 0.510, 209.091, 1.12847, 1.7374),
        ("V13", 0.178, 0.673, 278.090, 1.32996, 2.2481),
        ("E11", 0.407, 0.364, -10.565, -0.11166, -0.1954),
        ("D1", 9.884, 12.555, 27.023, 0.23920, 2.2535),
    ],
)
def test_rows_of_the_open_microfragment_table(
    row: str, start_cm2: float, end_cm2: float, percent: float, log_ratio: float, extension_mm: float
) -> None:
    # growthData.csv of rachelwright8/Microfrag_Growth_Immunity_TagSeq (Schlecker et al. 2022), areas over four
    # months; derived columns to the digits printed beside them
    months = 4
    rates = rates_over([point(0, 100 * start_cm2), point(months * DAYS_PER_MONTH, 100 * end_cm2)])
    assert rates is not None
    assert rates.specific_per_day is not None
    assert 100 * rates.growth_cm2_per_month * months / start_cm2 == pytest.approx(percent, abs=6e-4)
    assert rates.specific_per_day * months * DAYS_PER_MONTH == pytest.approx(log_ratio, abs=6e-6)
    assert rates.extension_mm_per_month * months == pytest.approx(extension_mm, abs=6e-5)


def test_shrinking_fragment_has_negative_rates_and_no_doubling_time() -> None:
    rates = rates_over([point(0, 40.7), point(120, 36.4)])
    assert rates is not None
    assert rates.growth_cm2_per_month < 0
    assert rates.percent_per_month is not None
    assert rates.percent_per_month < 0
    assert rates.doubling_days is None
    assert rates.doubling_u_days is None


def test_area_of_zero_has_no_logarithm_but_an_extension() -> None:
    rates = rates_over([point(0, 100.0, 2.0), point(DAYS_PER_MONTH, 0.0)])
    assert rates is not None
    assert rates.specific_per_day is None
    assert rates.percent_per_month is None
    assert rates.growth_cm2_per_month == pytest.approx(-1.0)
    assert math.isfinite(rates.extension_u_mm_per_month)


def test_window_chooses_points_by_time() -> None:
    points = [disc(0, 5), disc(30, 6), disc(60, 9)]
    whole, late = rates_over(points), rates_over(points, since=START + timedelta(days=30))
    assert whole is not None
    assert late is not None
    assert (whole.points, late.points) == (3, 2)
    assert late.extension_mm_per_month == pytest.approx(3 / 30 * DAYS_PER_MONTH)
    assert rates_over(points, until=START + timedelta(days=29)) is None


def test_two_photos_of_one_moment_give_no_rate() -> None:
    assert rates_over([disc(0, 5), disc(0, 6)]) is None
    assert len(rates_between_visits([disc(0, 5), disc(0, 5.1), disc(7, 6)])) == 1
