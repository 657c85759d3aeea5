"""The law of propagation against the worked examples of JCGM 100:2008."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy import stats

from fragarea.area import combined_u, effective_dof, propagate


class TestEndGauge:
    """JCGM 100:2008, example H.1; lengths in nm."""

    LENGTH = 50.000623e6
    THETA = -0.1
    ALPHA = 11.5e-6
    # Inputs ls, d, alpha_s, theta, delta alpha, delta theta at the estimates 0 of the last two.
    SENSITIVITIES = (1.0, 1.0, 0.0, 0.0, -LENGTH * THETA, -LENGTH * ALPHA)
    U = (25.0, 9.7, 1.2e-6, 0.41, 0.58e-6, 0.029)
    DOF = (18.0, 25.6, math.inf, math.inf, 50.0, 2.0)

    def test_combined_uncertainty_is_32_nm(self) -> None:
        # Printed: 32 nm; unrounded 31.71 nm (recomputed from the printed inputs).
        assert combined_u(self.SENSITIVITIES, self.U) == pytest.approx(31.71, abs=0.005)

    def test_effective_degrees_of_freedom_are_16(self) -> None:
        # Printed: 16, truncated; unrounded 16.656.
        parts = np.abs(self.SENSITIVITIES) * np.array(self.U)
        dof = effective_dof(parts, self.DOF)
        assert dof == pytest.approx(16.656, abs=0.005)
        # Printed: k99 = 2.92 and U99 = 93 nm.
        factor = stats.t.ppf(0.995, math.floor(dof))
        assert factor == pytest.approx(2.92, abs=0.005)
        assert factor * combined_u(self.SENSITIVITIES, self.U) == pytest.approx(93, abs=0.5)

    def test_derivatives_found_numerically_agree(self) -> None:
        def length(x: npt.NDArray[np.float64]) -> list[float]:
            ls, d, alpha, theta, delta_alpha, delta_theta = x
            return [ls + d - ls * (delta_alpha * theta + alpha * delta_theta)]

        values = [self.LENGTH, 215.0, self.ALPHA, self.THETA, 0.0, 0.0]
        covariance = propagate(length, values, np.diag(np.square(self.U)))
        assert math.sqrt(covariance[0, 0]) == pytest.approx(31.71, abs=0.005)


class TestResistance:
    """JCGM 100:2008, example H.2: inputs read together are correlated."""

    READINGS = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )

    @staticmethod
    def results(x: npt.NDArray[np.float64]) -> list[float]:
        volt, ampere, phase = x
        return [volt * math.cos(phase) / ampere, volt * math.sin(phase) / ampere, volt / ampere]

    def test_uncertainties_and_correlations_as_printed(self) -> None:
        mean = self.READINGS.mean(axis=1)
        covariance = propagate(self.results, mean, np.cov(self.READINGS) / 5)
        u = np.sqrt(np.diag(covariance))
        assert self.results(mean) == pytest.approx([127.732, 219.847, 254.260], abs=0.0005)
        assert u == pytest.approx([0.071, 0.2956, 0.236], abs=0.0005)
        correlation = covariance / np.outer(u, u)
        printed = [-0.588, -0.485, 0.993]
        assert [correlation[0, 1], correlation[0, 2], correlation[1, 2]] == pytest.approx(printed, abs=0.0007)

    def test_combined_u_takes_the_printed_correlations(self) -> None:
        volt, ampere, phase = self.READINGS.mean(axis=1)
        u = self.READINGS.std(axis=1, ddof=1) / math.sqrt(5)
        r = [[1.0, -0.355, 0.858], [-0.355, 1.0, -0.645], [0.858, -0.645, 1.0]]
        impedance = [1 / ampere, -volt / ampere**2, 0.0]
        # Printed: u(Z) = 0.236; without correlation 0.204 (recomputed).
        assert combined_u(impedance, u, r) == pytest.approx(0.236, abs=0.0006)
        assert combined_u(impedance, u) == pytest.approx(0.204, abs=0.0006)
        reactance = [
            math.sin(phase) / ampere,
            -volt * math.sin(phase) / ampere**2,
            volt * math.cos(phase) / ampere,
        ]
        assert combined_u(reactance, u) == pytest.approx(0.201, abs=0.0006)


class TestCalibrationLine:
    """JCGM 100:2008, example H.3 (data from memory; the fitted values agree with those printed)."""

    T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])

    def fit(self, readings: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.polynomial.polynomial.polyfit(self.T - 20, readings, 1)

    def test_line_and_its_uncertainties_from_the_readings(self) -> None:
        line = self.fit(self.B)
        s = math.sqrt(((self.B - line[0] - line[1] * (self.T - 20)) ** 2).sum() / 9)
        assert (*line, s) == pytest.approx((-0.1712, 0.00218, 0.0035), abs=6e-5)
        covariance = propagate(self.fit, self.B, s**2 * np.eye(11))
        u = np.sqrt(np.diag(covariance))
        assert u == pytest.approx([0.0029, 0.00067], abs=5e-5)
        assert covariance[0, 1] / u.prod() == pytest.approx(-0.930, abs=5e-4)

    def test_prediction_at_30_degrees_needs_the_correlation(self) -> None:
        # Printed: b(30 degrees) = -0.1494 with u = 0.0041.
        r = [[1.0, -0.930], [-0.930, 1.0]]
        assert combined_u([1.0, 10.0], [0.0029, 0.00067], r) == pytest.approx(0.0041, abs=5e-5)
        assert combined_u([1.0, 10.0], [0.0029, 0.00067]) > 0.007


def test_scale_counts_twice_in_an_area() -> None:
    # Worked vector: 40 000 px (u 400) at 0.05 cm (u 0.0005) a pixel is 100 cm2 with u = 2.23607 (exact: sqrt 5).
    assert combined_u([0.05**2, 2 * 40_000 * 0.05], [400.0, 0.0005]) == pytest.approx(2.23607, abs=5e-6)


def test_two_dates_with_one_scale_are_known_better_by_their_ratio() -> None:
    # Exact: ratio of areas 100 and 200 with a common relative error of 2 % and own errors of 1 %: u/ratio = sqrt 2 %.
    one, other, own = 100.0, 200.0, 0.01
    r = 0.02**2 / (0.02**2 + own**2)
    u = [one * math.hypot(0.02, own), other * math.hypot(0.02, own)]
    sensitivities = [-other / one**2, 1 / one]
    together = combined_u(sensitivities, u, [[1.0, r], [r, 1.0]])
    assert together / 2 == pytest.approx(math.sqrt(2) * 0.01, rel=1e-12)
    assert together < combined_u(sensitivities, u)


@pytest.mark.parametrize("days", [(30, 9.428e-4), (90, 3.143e-4)])
def test_specific_growth_rate_from_two_independent_areas(days: tuple[int, float]) -> None:
    # Worked vector: each area known to 2 %, u(mu) = sqrt 2 x 0.02 / dt.
    dt, expected = days
    covariance = propagate(lambda a: [math.log(a[1] / a[0]) / dt], [1.2, 3.7], np.diag([0.024**2, 0.074**2]))
    assert math.sqrt(covariance[0, 0]) == pytest.approx(expected, rel=2e-4)


def test_exact_inputs_leave_infinite_degrees_of_freedom() -> None:
    assert effective_dof([1.0, 2.0], [math.inf, math.inf]) == math.inf
    assert effective_dof([0.0], [3.0]) == math.inf


def test_one_input_keeps_its_degrees_of_freedom() -> None:
    # Exact: with one contribution the formula returns its own number.
    assert effective_dof([2.5], [7.0]) == pytest.approx(7.0)


def test_known_inputs_add_nothing() -> None:
    covariance = propagate(lambda x: [x[0] * x[1]], [2.0, 3.0], np.diag([0.0, 0.01]))
    assert covariance[0, 0] == pytest.approx(0.04, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: combined_u([1.0], [1.0, 2.0]), "equally long"),
        (lambda: combined_u([1.0], [-1.0]), "negative"),
        (lambda: combined_u([1.0], [math.nan]), "not a number"),
        (lambda: combined_u([1.0, 1.0], [1.0, 1.0], [[1.0, 0.5], [0.4, 1.0]]), "symmetric"),
        (lambda: combined_u([1.0, 1.0], [1.0, 1.0], [[1.0, 2.0], [2.0, 1.0]]), "impossible"),
        (lambda: effective_dof([1.0], [0.0]), "positive"),
        (lambda: effective_dof([1.0], [1.0, 2.0]), "equally long"),
        (lambda: propagate(lambda x: x, [1.0], [[1.0, 0.0], [0.0, 1.0]]), "covariance"),
    ],
)
def test_wrong_arguments_are_named(call: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()  # type: ignore[operator]
