"""The mixed-model engine against published fits and another library."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fragarea.growth import Block, fit_mixed
from tests.growth.published import DYESTUFF, ORTHODONT, RAIL, SLEEPSTUDY


def lines(data: dict, times) -> Block:
    """A random line for each subject."""
    x = np.tile(np.asarray(times, dtype=float), len(data))
    design = np.column_stack([np.ones(len(x)), x])
    values = np.concatenate([np.asarray(one, dtype=float) for one in data.values()])
    return Block(design, design, np.repeat(np.arange(len(data)), len(times)), values, np.zeros(len(x)))


def levels(data: dict) -> Block:
    """A random level for each subject."""
    values = np.concatenate([np.asarray(one, dtype=float) for one in data.values()])
    subject = np.repeat(np.arange(len(data)), [len(one) for one in data.values()])
    ones = np.ones((len(values), 1))
    return Block(ones, ones, subject, values, np.zeros(len(values)))


def test_sleepstudy_as_lme4_prints_it() -> None:
    # Bates, Maechler, Bolker & Walker 2015, J. Stat. Software 67(1), section 1.2: digits as printed there, or one
    # more
    fit = fit_mixed([lines(SLEEPSTUDY, range(10))])
    assert fit.converged
    assert fit.coefficients[0] == pytest.approx([251.40510, 10.46729], abs=6e-6)
    assert np.sqrt(np.diag(fit.covariances[0])) == pytest.approx([6.8246, 1.5458], abs=6e-5)
    sd = np.sqrt(np.diag(fit.random_covariance))
    assert sd == pytest.approx([24.741, 5.922], abs=6e-4)
    assert fit.random_covariance[0, 1] / sd.prod() == pytest.approx(0.066, abs=6e-4)
    assert math.sqrt(fit.residual_variance) == pytest.approx(25.592, abs=6e-4)
    assert fit.log_likelihood == pytest.approx(-871.8141, abs=6e-5)


def test_sleepstudy_by_plain_maximum_likelihood() -> None:
    fit = fit_mixed([lines(SLEEPSTUDY, range(10))], restricted=False)
    assert fit.log_likelihood == pytest.approx(-875.96967, abs=6e-6)
    assert np.sqrt(np.diag(fit.random_covariance)) == pytest.approx([23.7805, 5.7168], abs=2e-4)
    assert math.sqrt(fit.residual_variance) == pytest.approx(25.5918, abs=6e-5)


def test_sleepstudy_with_a_random_level_alone() -> None:
    # the same paper's lme4 output by plain maximum likelihood: log-likelihood -897.0393, residual 30.8954
    whole = lines(SLEEPSTUDY, range(10))
    block = Block(whole.fixed, whole.random[:, :1], whole.subject, whole.values, whole.known_variance)
    fit = fit_mixed([block], restricted=False)
    assert fit.log_likelihood == pytest.approx(-897.0393, abs=6e-5)
    assert math.sqrt(fit.residual_variance) == pytest.approx(30.8954, abs=6e-5)
    assert fit.coefficients[0] == pytest.approx([251.40510, 10.46729], abs=6e-6)


def test_dyestuff_by_plain_maximum_likelihood() -> None:
    # lme4's example prints a deviance of 327.3271
    assert -2 * fit_mixed([levels(DYESTUFF)], restricted=False).log_likelihood == pytest.approx(327.3271, abs=6e-5)


def test_orthodont_as_pinheiro_and_bates_print_it() -> None:
    # Pinheiro & Bates 2000, section 4.1 (from memory), confirmed with another library
    fit = fit_mixed([lines(ORTHODONT, (8, 10, 12, 14))])
    assert fit.coefficients[0] == pytest.approx([16.76111, 0.66019], abs=6e-6)
    assert np.sqrt(np.diag(fit.covariances[0])) == pytest.approx([0.77525, 0.07125], abs=6e-6)
    assert np.sqrt(np.diag(fit.random_covariance)) == pytest.approx([2.3270, 0.22643], abs=6e-5)
    assert math.sqrt(fit.residual_variance) == pytest.approx(1.31004, abs=6e-6)
    assert fit.log_likelihood == pytest.approx(-221.3183, abs=6e-5)


@pytest.mark.parametrize(
    ("data", "mean", "mean_u", "between", "within", "log_likelihood"),
    [(RAIL, 66.5, 10.170, 24.804, 4.0209, -61.0885), (DYESTUFF, 1527.5, 19.384, 42.002, 49.510, -159.8271)],
)
def test_one_way_layouts(data, mean, mean_u, between, within, log_likelihood) -> None:
    # balanced layouts have a closed form: within^2 = MSW, between^2 = (MSB - MSW) / n. rel 1e-4: printed by programs
    # that stop their search at that
    fit = fit_mixed([levels(data)])
    groups = np.array(list(data.values()))
    n = groups.shape[1]
    msw = groups.var(axis=1, ddof=1).mean()
    msb = n * groups.mean(axis=1).var(ddof=1)
    assert fit.residual_variance == pytest.approx(msw, rel=1e-5)
    assert fit.random_covariance[0, 0] == pytest.approx((msb - msw) / n, rel=1e-5)
    assert fit.coefficients[0][0] == pytest.approx(mean, rel=1e-9)
    assert math.sqrt(fit.covariances[0][0, 0]) == pytest.approx(mean_u, rel=1.5e-4)
    assert math.sqrt(fit.random_covariance[0, 0]) == pytest.approx(between, rel=1e-4)
    assert math.sqrt(fit.residual_variance) == pytest.approx(within, rel=1e-4)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=6e-5)


def test_unbalanced_data_as_another_library_fits_them() -> None:
    # statsmodels MixedLM, REML; rel 1e-3: it stops its search there
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(8)
    subject = np.sort(rng.integers(0, 25, size=160))
    subject = np.unique(subject, return_inverse=True)[1]
    x = rng.uniform(0, 4, size=160)
    level, slope = rng.normal(6, 1, size=25)[subject], rng.normal(0.6, 0.2, size=25)[subject]
    y = level + slope * x + rng.normal(0, 0.3, size=160)
    design = np.column_stack([np.ones(160), x])
    ours = fit_mixed([Block(design, design, subject, y, np.zeros(160))])
    theirs = api.MixedLM(y, design, groups=subject, exog_re=design).fit(reml=True)
    assert ours.coefficients[0] == pytest.approx(theirs.fe_params, rel=1e-4)
    assert ours.random_covariance == pytest.approx(np.asarray(theirs.cov_re), rel=1e-2)
    assert ours.residual_variance == pytest.approx(theirs.scale, rel=1e-3)
    assert ours.log_likelihood >= theirs.llf - 1e-6
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-3)


def dense(block: Block, random: np.ndarray, residual: float):
    """Restricted -2 log-likelihood and coefficients written out with full matrices."""
    n, p = block.fixed.shape
    same = block.subject[:, None] == block.subject[None, :]
    v = same * (block.random @ random @ block.random.T) + np.diag(residual + block.known_variance)
    w = np.linalg.inv(v)
    information = block.fixed.T @ w @ block.fixed
    b = np.linalg.solve(information, block.fixed.T @ w @ block.values)
    e = block.values - block.fixed @ b
    logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
    return logs + e @ w @ e + (n - p) * math.log(2 * math.pi), b


def test_known_variances_give_the_best_likelihood_of_full_matrices() -> None:
    # the same criterion by dense algebra: equal at the fit, and larger all around it
    rng = np.random.default_rng(2)
    subject = np.repeat(np.arange(12), 5)
    x = np.tile(np.arange(5.0), 12)
    known = rng.uniform(0.01, 0.3, size=60)
    y = (
        rng.normal(5, 1, 12)[subject]
        + rng.normal(0.7, 0.15, 12)[subject] * x
        + rng.normal(size=60) * np.sqrt(known + 0.02)
    )
    design = np.column_stack([np.ones(60), x])
    block = Block(design, design, subject, y, known)
    fit = fit_mixed([block])
    least, b = dense(block, fit.random_covariance, fit.residual_variance)
    assert fit.converged
    assert -2 * fit.log_likelihood == pytest.approx(least, abs=1e-8)
    assert fit.coefficients[0] == pytest.approx(b, rel=1e-10)
    assert fit.weights[0] @ y == pytest.approx(b, rel=1e-10)
    for i, j in ((0, 0), (0, 1), (1, 1)):
        for step in (-0.01, 0.01):
            moved = fit.random_covariance.copy()
            moved[i, j] = moved[j, i] = moved[i, j] + step * math.sqrt(moved[i, i] * moved[j, j])
            assert dense(block, moved, fit.residual_variance)[0] > least
    assert dense(block, fit.random_covariance, fit.residual_variance + 0.002)[0] > least


def test_a_spread_of_zero_is_found_and_not_an_error() -> None:
    rng = np.random.default_rng(6)
    subject, x = np.repeat(np.arange(8), 6), np.tile(np.arange(6.0), 8)
    y = 5 + 0.5 * x + 0.1 * rng.normal(size=48)
    design = np.column_stack([np.ones(48), x])
    fit = fit_mixed([Block(design, design, subject, y, np.full(48, 0.02))])
    assert fit.converged
    assert np.linalg.eigvalsh(fit.random_covariance)[0] == pytest.approx(0.0, abs=2e-4)


def test_wrong_rows_are_told_to_the_programmer() -> None:
    ones = np.ones((3, 1))
    with pytest.raises(ValueError, match="in order of subject"):
        Block(ones, ones, np.array([0, 1, 0]), np.zeros(3), np.zeros(3))
    with pytest.raises(ValueError, match="one row each"):
        Block(ones, ones, np.array([0, 1]), np.zeros(3), np.zeros(3))
    with pytest.raises(ValueError, match="must not be negative"):
        Block(ones, ones, np.array([0, 1, 1]), np.zeros(3), -np.ones(3))
    with pytest.raises(ValueError, match="fewer rows"):
        fit_mixed([Block(np.ones((1, 2)), np.ones((1, 1)), np.array([0]), np.zeros(1), np.zeros(1))])


def test_the_derivative_is_that_of_the_criterion() -> None:
    # central differences, another way to the same number; their own error here is below 1e-6
    from fragarea.growth.mixed import _Model

    rng = np.random.default_rng(8)
    made = lines({i: list(rng.normal(5 + 0.3 * i, 0.2, 4) + np.arange(4)) for i in range(6)}, (0, 1, 2, 4))
    noisy = Block(made.fixed, made.random * [1, 0.5], made.subject, made.values, rng.uniform(0.01, 0.05, 24))
    model, at = _Model([noisy], True), np.array([0.6, 0.1, 0.2, 0.3])
    for index, slope in enumerate(model.criterion(at)[1]):
        step = 1e-5 * np.eye(4)[index]
        difference = (model.criterion(at + step)[0] - model.criterion(at - step)[0]) / 2e-5
        assert slope == pytest.approx(difference, rel=1e-5, abs=1e-5)


def test_equal_known_variances_give_what_unequal_ones_tend_to() -> None:
    # rows with one known variance are summed once; a hair's difference keeps every row apart
    data = lines(SLEEPSTUDY, range(10))
    same = Block(data.fixed, data.random, data.subject, data.values, np.full(180, 300.0))
    apart = Block(data.fixed, data.random, data.subject, data.values, 300.0 + 1e-7 * np.arange(180))
    one, other = fit_mixed([same]), fit_mixed([apart])
    assert one.coefficients[0] == pytest.approx(other.coefficients[0], rel=1e-8)
    assert one.log_likelihood == pytest.approx(other.log_likelihood, abs=1e-5)
    # a known variance is taken from the residual's: exact, while something is left
    whole = fit_mixed([data])
    assert one.residual_variance + 300.0 == pytest.approx(whole.residual_variance, rel=1e-5)
    assert one.log_likelihood == pytest.approx(whole.log_likelihood, abs=1e-6)
