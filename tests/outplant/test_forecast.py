"""Dates and numbers: closed forms where growth is certain, and the ways in which a nursery can be odd."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from fragarea.growth import DAYS_PER_MONTH
from fragarea.outplant import forecast
from fragarea.outplant.forecast import site_shifts
from tests.outplant.worlds import learned, stand_of, today_months, world

WEEKS = np.arange(0, 400, 7.0)


def made_forecast(made, target_mm: float, known=None, days=WEEKS, **changes):
    known = known or learned(made)
    stand = stand_of(made, known, target_mm, **changes)
    return forecast(stand, known, today_months=today_months(made), days=days, rng=np.random.default_rng(4)), known


def test_certain_growth_reaches_the_size_on_the_day_of_plain_arithmetic() -> None:
    made = world([0.5], each=20, outline_rel=1e-4)
    found, _ = made_forecast(made, 10.0)
    exact = (10.0 - made.start_mm) / 0.5 * DAYS_PER_MONTH - 126
    assert found.ready_days[:, 1] == pytest.approx(exact, abs=1.5)
    assert (found.ready_days[:, 2] - found.ready_days[:, 0] < 6).all()


def test_ranges_of_dates_hold_the_date_as_often_as_they_say() -> None:
    """Simulated discs: the day on which the true line plus one visit's noise reaches the size."""
    inside = []
    for seed in range(30):
        made = world([0.4, 0.6], each=20, spread=0.15, seed=seed, scatter_mm=0.03)
        found, _ = made_forecast(made, 11.0, learned(made, seed=seed))
        noise = np.random.default_rng(900 + seed).normal(size=40) * np.hypot(0.03, 0.01 * 11 / 2)
        true = (11.0 - made.start_mm - noise) / made.speed * DAYS_PER_MONTH - 126
        inside.append(((found.ready_days[:, 0] <= true) & (true <= found.ready_days[:, 2])).mean())
    # binomial over 1,200 dates that share genotypes by twenties: standard error about 1.5 %
    assert np.mean(inside) == pytest.approx(0.8, abs=0.04)


def test_losses_take_their_part_of_the_stock_and_come_back_never() -> None:
    made = world([0.5], each=50)
    known = learned(made, draws=2000)
    known = replace(known, loss_per_month=np.full((2000, 1), 0.1))
    found, _ = made_forecast(made, 5.0, known, ready=np.ones(50, dtype=bool))
    months = WEEKS / DAYS_PER_MONTH
    # exponential survival; expected number of 50
    assert found.counts[:, 0].mean(axis=0) == pytest.approx(50 * np.exp(-0.1 * months), abs=0.6)
    one = found.counts[:, 0, np.searchsorted(WEEKS, 182)]
    # with one rate for all draws the count is binomial: its variance n p (1 - p)
    p = np.exp(-0.1 * WEEKS[np.searchsorted(WEEKS, 182)] / DAYS_PER_MONTH)
    assert one.var() == pytest.approx(50 * p * (1 - p), rel=0.12)


def test_a_shared_genotype_makes_counts_wider_than_independent_fragments() -> None:
    made = world([0.5], each=60, spread=0.2, scatter_mm=0.05, visits=(0.0, 30.0))
    found, _ = made_forecast(made, 9.0, learned(made, draws=2000))
    middle = int(np.abs(found.counts[:, 0].mean(axis=0) - 30).argmin())
    p = found.chance[:, middle]
    assert found.counts[:, 0, middle].var() > 1.5 * float((p * (1 - p)).sum())


def test_chances_add_up_to_the_expected_stock() -> None:
    made = world([0.3, 0.7], each=10, spread=0.1)
    found, _ = made_forecast(made, 9.0)
    assert found.counts.sum(axis=1).mean(axis=0) == pytest.approx(found.chance.sum(axis=0))


def test_nothing_is_ready_before_its_age_and_what_is_ready_today_stays() -> None:
    made = world([0.5], each=4)
    found, _ = made_forecast(made, 5.0, bound_days=np.full(4, 200.0), ready=np.array([True, False, False, False]))
    assert found.ready_days[0].tolist() == [0, 0, 0]
    assert (found.ready_days[1:] == 200).all()
    assert (found.chance[1:, WEEKS < 200] == 0).all()
    assert found.chance[0, 0] == 1


def test_no_growth_and_negative_growth_are_never_ready() -> None:
    for speed in (0.0, -0.1):  # a faster fall is a loss of tissue, and no growth at all
        made = world([speed], each=12)
        found, known = made_forecast(made, 12.0)
        # at no growth the mean speed may as well be a little positive: then it takes years
        assert (found.ready_days[:, 1] > 5 * 365).all()
        assert found.counts[:, :, WEEKS < 180].max() == 0
        assert known.speeds.genotypes[0].speed_mm_per_month == pytest.approx(speed, abs=0.02)


def test_a_plug_too_small_for_the_rule_is_never_ready() -> None:
    made = world([0.5], each=4)
    found, _ = made_forecast(made, np.inf, target_noise_mm=np.zeros(4))
    assert np.isinf(found.ready_days).all()
    assert found.counts.max() == 0


def test_a_piece_that_still_heals_starts_later() -> None:
    made = world([0.5], each=6, outline_rel=1e-4)
    known = learned(made)
    known = replace(known, lag_months=np.full_like(known.lag_months, 2.0))
    plain, _ = made_forecast(made, 12.0, known)
    months = np.full(6, today_months(made))
    level = made.start_mm + 0.5 * 126 / DAYS_PER_MONTH
    fresh, _ = made_forecast(made, 12.0, known, cut_months=months, months=months, level_mm=level)
    assert fresh.ready_days[:, 1] - plain.ready_days[:, 1] == pytest.approx(np.full(6, 2 * DAYS_PER_MONTH), abs=3)


def test_fewer_pieces_vary_more_than_the_mean_of_a_pad() -> None:
    made = world([0.5], each=12, spread=0.2)
    known = learned(made, draws=2000)
    nothing = {"slope": np.zeros(12), "slope_variance": np.full(12, np.inf)}
    one, _ = made_forecast(made, 12.0, known, **nothing)
    ten, _ = made_forecast(made, 12.0, known, pieces=np.full(12, 10), **nothing)
    assert (np.ptp(ten.ready_days, axis=1) < 0.7 * np.ptp(one.ready_days, axis=1)).all()


def test_an_error_of_the_photo_moves_the_whole_tray() -> None:
    made = world([0.5], each=30, outline_rel=1e-4)
    known = replace(learned(made, draws=2000), site_moves=np.array([[0.04], [0.0], [0.0]]))
    level, slope, coming = site_shifts(known, 2000, np.random.default_rng(1))
    assert (level.std(), slope.std()) == pytest.approx((0.2, 0.0), abs=0.01)
    assert stats.kstest(coming[:, 0], "norm").pvalue > 0.001
    found, _ = made_forecast(made, 9.0, known)
    plain, _ = made_forecast(made, 9.0, replace(known, site_moves=np.zeros((3, 1))))
    middle = int(np.abs(found.counts[:, 0].mean(axis=0) - 15).argmin())
    assert found.counts[:, 0, middle].std() > 2 * plain.counts[:, 0, middle].std()


def test_the_same_seed_gives_the_same_forecast_and_no_fragments_give_none() -> None:
    made = world([0.5], each=5, spread=0.1)
    first, second = made_forecast(made, 9.0)[0], made_forecast(made, 9.0)[0]
    assert (first.counts == second.counts).all()
    known = learned(made)
    none = stand_of(made, known, 9.0).rows(slice(0, 0))
    empty = forecast(none, known, today_months=0.0, days=WEEKS, rng=np.random.default_rng(1))
    assert empty.counts.max() == 0
    assert empty.ready_days.shape == (0, 3)
