"""Certified values of the NIST Statistical Reference Datasets (StRD), reproduced to the digits stated.

Straight lines and layouts of one factor go through the project's own code; the rest goes through the libraries that
fits of that kind are made with. Data and certified values: https://www.itl.nist.gov/div898/strd/.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from importlib.resources import files

import numpy as np
import pytest
from scipy.optimize import curve_fit

from fragarea.growth import DAYS_PER_MONTH, Block, fit_mixed, radius_line, rates_over
from tests.growth.samples import disc

# "Norris", linear regression: y, x of 36 ozone monitors
NORRIS = np.loadtxt(
    """
    0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6
    778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6
    557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1
    888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
    """.strip().splitlines()
).reshape(-1, 2)

# "Rat42" and "Rat43", sigmoid growth of pasture and of onions (Ratkowsky 1983); "Misra1a", growth to a limit
RAT42 = ((9, 14, 21, 28, 42, 57, 63, 70, 79), (8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08))
RAT43 = (
    tuple(range(1, 16)),
    (
        *(16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56, 689.96),
        *(637.56, 717.41),
    ),
)
MISRA1A = (
    (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0),
    (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78),
)


def logistic(x, b1, b2, b3):
    return b1 / (1 + np.exp(b2 - b3 * x))


def richards(x, b1, b2, b3, b4):
    return b1 / (1 + np.exp(b2 - b3 * x)) ** (1 / b4)


def to_a_limit(x, b1, b2):
    return b1 * (1 - np.exp(-b2 * x))


def test_radial_extension_is_the_certified_slope_of_norris() -> None:
    # slope 1.00211681802045 (SD 0.429796848199937e-3), intercept -0.262323073774029. As radii over days; errors of
    # areas are those that make all radii equally sure, and far smaller than the residuals, so that the interval comes
    # from the scatter alone. rel 1e-11: fifteen digits are certified, areas and back take one in 1e16 of 1e6 mm2
    ordered = NORRIS[np.argsort(NORRIS[:, 1], kind="stable")]
    points = [disc(x, y, 2 * math.pi * y * 1e-6) for y, x in ordered.tolist()]
    rates, line = rates_over(points), radius_line(points)
    assert rates is not None
    assert line is not None
    assert rates.extension_mm_per_month / DAYS_PER_MONTH == pytest.approx(1.00211681802045, rel=1e-11)
    assert rates.extension_u_mm_per_month / DAYS_PER_MONTH == pytest.approx(0.429796848199937e-3, rel=1e-8)
    assert line.start_mm - 0.2 * line.mm_per_day == pytest.approx(-0.262323073774029, rel=1e-8)


def anova(name: str) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Levels, values, certified F and residual SD of a file that SciPy's tests bring along."""
    folder = files("scipy") / "stats" / "tests" / "data" / "nist_anova"
    file = folder / f"{name}.dat"
    if not file.is_file():
        pytest.skip("this SciPy comes without the files of its tests")
    lines = file.read_text(encoding="utf-8").splitlines()
    rows = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    between = next(line for line in lines if line.startswith("Between"))
    residual = next(line for line in lines if "Standard Deviation" in line)
    return rows[:, 0].astype(int) - 1, rows[:, 1], float(between.split()[-1]), float(residual.split()[-1])


@pytest.mark.parametrize(
    ("name", "rel_f", "rel_sd"),
    [
        ("AtmWtAg", 1e-9, 1e-8),
        ("SiRstv", 1e-8, 1e-8),
        *((f"SmLs0{number}", 1e-6, 1e-8) for number in (1, 2, 4, 5)),
        *((f"SmLs0{number}", 1e-5, 1e-8) for number in (3, 6)),
        *((f"SmLs0{number}", 1e-4, 3e-5) for number in (7, 8, 9)),
    ],
)
def test_the_mixed_model_gives_certified_analyses_of_variance(name: str, rel_f: float, rel_sd: float) -> None:
    """A random level of each group, by restricted maximum likelihood.

    In a balanced layout of n values a group F = 1 + n s2(between) / s2(within). Values of SmLs07 to 09 lie 0.1 apart
    at 1e12, where double precision is 1.2e-4 wide: no program reads them better. Nearly equal means of two thousand
    values (SmLs03, 06) take two digits of F.
    """
    level, values, f, sd = anova(name)
    count = np.bincount(level)
    assert len(set(count)) == 1
    ones = np.ones((len(values), 1))
    fit = fit_mixed([Block(ones, ones, level, values - values[0], np.zeros(len(values)))])
    assert fit.converged
    assert math.sqrt(fit.residual_variance) == pytest.approx(sd, rel=rel_sd)
    assert 1 + count[0] * fit.random_covariance[0, 0] / fit.residual_variance == pytest.approx(f, rel=rel_f)


def test_longley_by_least_squares() -> None:
    # statsmodels.datasets.longley; residual SD and R2 certified, from memory, as is the constant
    data = pytest.importorskip("statsmodels.datasets").longley.load_pandas()
    y = data.endog.to_numpy()
    x = np.column_stack([np.ones(16), data.exog.to_numpy()])
    b, *_ = np.linalg.lstsq(x, y)
    residual = y - x @ b
    assert b[0] == pytest.approx(-3482258.63459582, rel=1e-8)
    assert math.sqrt(residual @ residual / 9) == pytest.approx(304.854073561965, rel=1e-8)
    assert 1 - residual @ residual / ((y - y.mean()) ** 2).sum() == pytest.approx(0.995479004577296, rel=1e-10)


def test_wampler1_is_fitted_exactly() -> None:
    # exact: y = 1 + x + x^2 + x^3 + x^4 + x^5 for x = 0 to 20; all six coefficients are 1
    x = np.vander(np.arange(21.0), 6, increasing=True)
    b, *_ = np.linalg.lstsq(x, x.sum(axis=1))
    assert b == pytest.approx(np.ones(6), rel=1e-7)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize(
    ("data", "curve", "starts", "certified", "sd", "residual_ss"),
    [
        (
            RAT42,
            logistic,
            ((100, 1, 0.1), (75, 2.5, 0.07)),
            (72.462237576, 2.6180768402, 0.067359200066),
            (1.7340283401, 0.088295217536, 0.0034465663377),
            8.0565229338,
        ),
        (
            RAT43,
            richards,
            ((100, 10, 1, 1), (700, 5, 0.75, 1.3)),
            (699.64151270, 5.2771253025, 0.75962938329, 1.2792483859),
            (16.302297817, 2.0828735829, 0.19566123451, 0.68761936385),
            8786.4049080,
        ),
        (
            MISRA1A,
            to_a_limit,
            ((500, 1e-4), (250, 5e-4)),
            (238.94212918, 5.5015643181e-4),
            (2.7070075241, 7.2668688436e-6),
            0.12455138894,
        ),
    ],
    ids=["Rat42", "Rat43", "Misra1a"],
)
def test_certified_growth_curves(
    data: tuple[Sequence[float], Sequence[float]],
    curve: Callable[..., np.ndarray],
    starts: tuple[tuple[float, ...], ...],
    certified: tuple[float, ...],
    sd: tuple[float, ...],
    residual_ss: float,
    start: int,
) -> None:
    # nonlinear regression by scipy.optimize.curve_fit from both of NIST's starts. rel 1e-6 of eleven certified
    # digits: derivatives by differences carry it no further (worst seen 2.2e-7, Rat43 from the first start)
    x, y = (np.array(one, dtype=float) for one in data)
    best, covariance = curve_fit(curve, x, y, p0=starts[start], maxfev=10_000, ftol=1e-15, xtol=1e-15, gtol=1e-15)
    assert best == pytest.approx(certified, rel=1e-6)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(sd, rel=1e-5)
    assert ((y - curve(x, *best)) ** 2).sum() == pytest.approx(residual_ss, rel=1e-9)


def test_the_logistic_of_rat42_is_steepest_where_half_has_grown() -> None:
    # derived from the certified values: inflection at b2 / b3 = 38.8674, slope b1 b3 / 4 = 1.220250 there
    x, y = (np.array(one, dtype=float) for one in RAT42)
    (b1, b2, b3), _ = curve_fit(logistic, x, y, p0=(75, 2.5, 0.07), xtol=1e-14)
    assert b2 / b3 == pytest.approx(38.8674, abs=6e-5)
    assert b1 * b3 / 4 == pytest.approx(1.220250, abs=6e-7)


# Orange trees (Draper & Smith 1998; data set Orange of R): age in days, trunk circumference in mm of tree 1
ORANGE_TREE_1 = ((118, 484, 664, 1004, 1231, 1372, 1582), (30, 58, 87, 115, 120, 142, 145))


def test_a_logistic_through_one_orange_tree() -> None:
    # Asym / (1 + exp((xmid - x) / scal)): 154.1632, 627.194, 362.573 as another library printed it. rel 5e-6: that
    # search stopped a little early, Gauss-Newton steps come to rest at 154.16305, 627.19322, 362.57170
    x, y = (np.array(one, dtype=float) for one in ORANGE_TREE_1)
    best, _ = curve_fit(
        lambda age, a, mid, scale: a / (1 + np.exp((mid - age) / scale)),
        x,
        y,
        p0=(150, 600, 300),
        ftol=1e-15,
        xtol=1e-15,
    )
    assert best == pytest.approx([154.1632, 627.194, 362.573], rel=5e-6)
