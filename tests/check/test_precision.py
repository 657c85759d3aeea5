"""Repeatability, agreement and conformity against published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fragarea.check import Verdict, agreement, conformity_probability, precision, verdict_of

# ASTM E691, glucose in serum, 8 laboratories by 3 results (data: R package ILS, data set Glucose; recomputed).
GLUCOSE_A = [
    [41.03, 41.45, 41.37],
    [41.17, 42.00, 41.15],
    [41.01, 40.68, 42.66],
    [39.37, 42.37, 42.63],
    [41.88, 41.19, 41.32],
    [43.28, 40.50, 42.28],
    [41.08, 41.27, 39.02],
    [43.36, 42.65, 41.72],
]
GLUCOSE_D = [
    [193.71, 193.59, 193.65],
    [190.88, 200.14, 194.30],
    [192.71, 193.28, 190.28],
    [195.85, 196.36, 199.43],
    [192.59, 191.44, 195.12],
    [195.34, 198.26, 198.13],
    [194.66, 191.99, 187.13],
    [197.56, 195.99, 200.82],
]

# Bland and Altman (1986), Lancet 327:307-310: peak flow in l/min, first and second readings of two meters.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
WRIGHT_AGAIN = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI_AGAIN = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]


def test_glucose_d_repeatability_and_reproducibility() -> None:
    # E691 table: mean 194.7171, s_r 2.6251, s_R 3.3657.
    found = precision(GLUCOSE_D)
    assert (found.mean, found.s_r, found.s_reproducibility) == pytest.approx((194.7171, 2.6251, 3.3657), abs=5e-5)
    assert found.dof == 16


def test_glucose_a_reproducibility_is_never_below_repeatability() -> None:
    # E691: s_r 1.0632; without the floor s_R would come out as 1.0588.
    found = precision(GLUCOSE_A)
    assert (found.mean, found.s_r) == pytest.approx((41.5183, 1.0632), abs=5e-5)
    assert found.s_reproducibility == found.s_r


def test_unequal_groups_follow_iso_5725_2() -> None:
    # Worked by hand: groups (1, 3), (6), (5, 7, 9); s_r^2 = (2 + 8) / 3; means 2, 6, 7; total mean 31/6;
    # s_d^2 = (2 (19/6)^2 + (5/6)^2 + 3 (11/6)^2) / 2 = 15.4166..; n = (6 - 14/6) / 2 = 11/6.
    found = precision([[1, 3], [6], [5, 7, 9]])
    within = 10 / 3
    s_d2 = (2 * (19 / 6) ** 2 + (5 / 6) ** 2 + 3 * (11 / 6) ** 2) / 2
    assert found.s_r == pytest.approx(math.sqrt(within))
    assert found.s_reproducibility == pytest.approx(math.sqrt(within + (s_d2 - within) / (11 / 6)))


def test_single_values_per_group_give_reproducibility_alone() -> None:
    # Exact: with one value a group their standard deviation holds both parts.
    found = precision([[1.0], [2.0], [4.0]])
    assert found.s_r is None
    assert found.s_reproducibility == pytest.approx(np.std([1, 2, 4], ddof=1))


def test_one_group_says_nothing_of_reproducibility() -> None:
    found = precision([[1.0, 2.0], []])
    assert found.s_r == pytest.approx(math.sqrt(0.5))
    assert found.s_reproducibility is None


def test_precision_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one value"):
        precision([[], []])


def test_precision_recovers_the_spread_it_was_drawn_with() -> None:
    # Drawn: 400 groups of 4, sigma_r 1, sigma_L 2. Relative standard errors: 1/sqrt(2400) = 2 %, 1/sqrt(800) = 3.5 %.
    rng = np.random.default_rng(11)
    found = precision(rng.normal(0, 2, (400, 1)) + rng.normal(0, 1, (400, 4)))
    assert found.s_r == pytest.approx(1.0, rel=0.06)
    assert found.s_reproducibility == pytest.approx(math.sqrt(5), rel=0.11)


def test_peak_flow_agreement() -> None:
    # Published: bias -2.1, SD 38.8; full precision -2.117647 and 38.765130; limits with 1.96 recomputed.
    found = agreement(np.subtract(WRIGHT, MINI).tolist())
    assert (found.bias, found.sd) == pytest.approx((-2.117647, 38.765130), abs=5e-7)
    assert (found.low, found.high) == pytest.approx((-78.096, 73.861), abs=5e-4)
    # Published 95 % interval of the bias: -22.0 to 17.8.
    assert (found.bias_low, found.bias_high) == pytest.approx((-22.05, 17.81), abs=5e-3)


def test_peak_flow_repeatability() -> None:
    # Bland and Altman: coefficient 2 SD of the differences about zero, 43.3 and 56.3 l/min (recomputed); the
    # differences of two readings have variance 2 s_r^2.
    for first, second, coefficient in ((WRIGHT, WRIGHT_AGAIN, 43.3), (MINI, MINI_AGAIN, 56.3)):
        found = precision(list(zip(first, second, strict=True)))
        assert found.s_r is not None
        assert 2 * math.sqrt(2) * found.s_r == pytest.approx(coefficient, abs=0.06)


def test_agreement_needs_two_differences() -> None:
    with pytest.raises(ValueError, match="at least two"):
        agreement([1.0])


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "expected"),
    [
        (98.6, 1.0, -math.inf, 100.0, 0.919243),  # Phi(1.40), normal table
        (100.0, 1.0, -math.inf, 100.0, 0.5),  # exact: at the limit
        (0.0, 1.0, -1.959964, 1.959964, 0.95),  # normal table
        (1.0, 0.0, 0.0, 1.0, 1.0),  # exact: a known value on the limit conforms
        (1.1, 0.0, 0.0, 1.0, 0.0),
    ],
)
def test_probability_of_conforming(value: float, u: float, low: float, high: float, expected: float) -> None:
    assert conformity_probability(value, u, low, high) == pytest.approx(expected, abs=5e-7)


def test_impossible_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="need u >= 0"):
        conformity_probability(0.0, -1.0, 0.0, 1.0)


def test_verdicts_at_95_per_cent() -> None:
    assert verdict_of(0.95) is Verdict.PASSES
    assert verdict_of(0.05) is Verdict.FAILS
    assert verdict_of(0.5) is Verdict.CANNOT_TELL
