"""Lines, speeds and losses: against NumPy, closed forms and published rules."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from fragarea.growth import genotype_growth, growth_curve
from fragarea.growth.columns import columns_of
from fragarea.outplant.lines import Radii, lines_through, photo_moves, radii_of
from fragarea.outplant.losses import (
    LIKE_NURSERY,
    USUAL_PER_MONTH,
    USUAL_WEIGHT,
    LossRecord,
    draw_loss_rates,
    losses_seen,
)
from tests.growth.samples import history, point
from tests.outplant.worlds import columns_of_world, learned, reasons_of_world, world


def test_a_line_is_the_weighted_least_squares_line_of_numpy() -> None:
    rng = np.random.default_rng(5)
    months, radius, variance = np.arange(5.0), 4 + 0.5 * np.arange(5) + 0.1 * rng.normal(size=5), rng.uniform(1, 4, 5)
    radii = Radii(np.zeros(5, dtype=int), months, radius, variance, np.zeros(5))
    line = lines_through(radii, 0.5)
    slope, level = np.polyfit(months - line.months[0], radius, 1, w=1 / np.sqrt(variance + 0.5))
    _, covariance = np.polyfit(months - line.months[0], radius, 1, w=1 / np.sqrt(variance + 0.5), cov="unscaled")
    assert (line.slope[0], line.level_mm[0]) == pytest.approx((slope, level))
    assert (line.slope_variance[0], line.level_variance[0]) == pytest.approx(tuple(np.diag(covariance)))


def test_the_likelihood_of_scatter_is_that_of_a_mixed_model_without_effects() -> None:
    """Restricted likelihood of a line through one fragment, from its definition (Harville 1974, from memory)."""
    months, radius, variance = np.arange(4.0), np.array([4.0, 4.7, 4.9, 5.6]), np.full(4, 0.01)
    radii = Radii(np.zeros(4, dtype=int), months, radius, variance, np.zeros(4))

    def direct(residual: float) -> float:
        x, v = np.column_stack([np.ones(4), months]), np.diag(variance + residual)
        inverse = np.linalg.inv(v)
        info = x.T @ inverse @ x
        rest = radius - x @ np.linalg.solve(info, x.T @ inverse @ radius)
        return -0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(info)[1] + rest @ inverse @ rest)

    told = [float(lines_through(radii, one).log_likelihood[0]) for one in (0.0, 0.04)]
    assert told[1] - told[0] == pytest.approx(direct(0.04) - direct(0.0))


def test_an_error_that_comes_back_at_every_visit_does_not_count() -> None:
    from fragarea.growth import ErrorPart

    parts = [(ErrorPart(2.0), ErrorPart(3.0, f"photo {i}"), ErrorPart(9.0, "print")) for i in range(2)]
    histories = [history([point(30 * i, 100, parts=parts[i]) for i in range(2)], name) for name in ("F1", "F2")]
    radii = radii_of(columns_of(histories))
    per_area = 0.5 / math.sqrt(math.pi * 100)
    assert radii.own_variance == pytest.approx(np.full(4, (2.0 * per_area) ** 2))
    assert radii.photo_variance == pytest.approx(np.full(4, (3.0 * per_area) ** 2))


def test_photo_errors_move_the_lines_of_a_site_as_simulated() -> None:
    months = np.tile([0.0, 1.0, 3.0], 2)
    radii = Radii(np.repeat([0, 1], 3), months, np.ones(6), np.full(6, 0.01), np.full(6, 0.04))
    level, slope, both = photo_moves(radii, 0.0, np.zeros(2, dtype=int), 1)
    z = 0.2 * np.random.default_rng(1).normal(size=(20_000, 3))
    x = np.array([0.0, 1.0, 3.0]) - 4 / 3
    levels, slopes = z.mean(axis=1), z @ x / (x @ x)
    assert (level[0], slope[0]) == pytest.approx((levels.var(), slopes.var()), rel=0.03)
    assert both[0] == pytest.approx(np.cov(levels, slopes)[0, 1], abs=3e-4)


def test_speeds_are_those_of_the_mixed_model_where_data_are_plenty() -> None:
    made = world([0.3, 0.6], each=20, spread=0.15, scatter_mm=0.03)
    known = learned(made, draws=4000)
    # the same nursery as growth estimates it, fragment by fragment
    columns = columns_of_world(made)
    histories = []
    for number, head in enumerate(columns.heads):
        rows = columns.fragment == number
        days, areas = columns.day[rows] - columns.day[0], columns.area_mm2[rows]
        series = [point(day, area, 0.01 * area) for day, area in zip(days, areas, strict=True)]
        histories.append(history(series, head.fragment, head.genotype))
    fitted = genotype_growth([growth_curve(one) for one in histories]).genotypes
    for ours, theirs in zip(known.speeds.genotypes, fitted, strict=True):
        assert ours.speed_mm_per_month == pytest.approx(theirs.extension_mm_per_month, abs=0.01)
        assert ours.speed_u_mm_per_month == pytest.approx(theirs.extension_u_mm_per_month, rel=0.25)
    spreads = np.median(known.speeds.spread, axis=0)
    assert spreads == pytest.approx([one.spread_mm_per_month for one in fitted], rel=0.25)


def test_a_new_genotype_borrows_from_its_species_and_says_so() -> None:
    made = world([0.4, 0.5, 0.6, 0.5], each=12, spread=0.1)
    few = replace(made, genotype=np.r_[made.genotype[:-11], np.full(11, 0)])
    known = learned(few, draws=2000)
    plenty, new = known.speeds.genotypes[1], known.speeds.genotypes[3]
    assert new.fragments == 1
    assert plenty.own_share > 0.95 > 0.9 > new.own_share
    assert (new.borrows, plenty.borrows) == (True, False)
    assert new.speed_u_mm_per_month > 2 * plenty.speed_u_mm_per_month


def test_a_genotype_without_data_has_the_spread_of_its_species_and_no_species_is_not_known() -> None:
    made = world([0.4, 0.6], each=12)
    names = [*made.names, ("new", "Genus alba"), ("other", "Genus rubra")]
    known = learned(made, draws=4000, names=names).speeds
    assert known.genotypes[2].speed_mm_per_month == pytest.approx(0.5, abs=0.05)
    assert 0.1 < known.genotypes[2].speed_u_mm_per_month < 0.4
    assert known.genotypes[2].own_share == 0
    assert not known.genotypes[3].known


def test_losses_and_months_watched_are_counted_by_hand() -> None:
    made = world([0.5], each=4)
    made = replace(made, lost_day=np.array([np.inf, 80.0, -1.0, 40.0]))
    columns = columns_of_world(made)
    record = losses_seen(columns, reasons_of_world(columns), made.genotype, 1)
    # watched to the end; seen on day 70 and gone on 91; never seen; seen on 35 and gone on 70
    assert record.lost.tolist() == [2]
    assert record.months[0] == pytest.approx((126 + 80.5 + 52.5) / 30.4375)


def test_a_sudden_loss_of_tissue_counts_as_a_loss() -> None:
    made = world([0.0], each=3)
    columns = columns_of_world(made)
    area = columns.area_mm2.copy()
    area[2:5] *= 0.5  # from the third visit of the first fragment on
    columns = replace(columns, area_mm2=area)
    record = losses_seen(columns, reasons_of_world(columns), made.genotype, 1)
    assert record.lost.tolist() == [1]
    assert record.months[0] == pytest.approx((2 * 126 + 52.5) / 30.4375)


def test_loss_rates_have_the_conjugate_posterior_where_one_genotype_is_all() -> None:
    """Negative binomial losses of one genotype: posterior by numerical integration with SciPy."""
    record = LossRecord(np.array([6]), np.array([300.0]))
    draws = draw_loss_rates(record, 40_000, np.random.default_rng(1))[:, 0]
    grid = np.geomspace(1e-5, 3, 4000)
    p = LIKE_NURSERY / (LIKE_NURSERY + grid * 300)
    weight = (
        stats.gamma.pdf(grid, USUAL_WEIGHT, scale=USUAL_PER_MONTH / USUAL_WEIGHT)
        * stats.nbinom.pmf(6, LIKE_NURSERY, p)
        * grid
    )
    weight /= weight.sum()
    mean = float((weight * (LIKE_NURSERY + 6) / (LIKE_NURSERY / grid + 300)).sum())
    assert draws.mean() == pytest.approx(mean, rel=0.01)


def test_genotypes_that_lose_more_have_higher_rates_drawn_towards_the_nursery() -> None:
    record = LossRecord(np.array([20, 0]), np.array([500.0, 100.0]))
    rates = draw_loss_rates(record, 20_000, np.random.default_rng(1)).mean(axis=0)
    assert 0.03 < rates[0] < 0.04
    assert 0.0 < rates[1] < rates[0] / 1.5
