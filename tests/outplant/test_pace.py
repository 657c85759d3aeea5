"""The pace of a whole nursery: even where nothing shows otherwise, and followed where it swings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fragarea.growth import DAYS_PER_MONTH
from fragarea.outplant import learn
from fragarea.outplant.pace import FUTURE_MONTHS, Pace, even_pace
from tests.outplant.worlds import BASE_DAY, columns_of_world, reasons_of_world, world

VISITS = tuple(float(day) for day in range(0, 270, 30))
AMPLITUDE = 0.3


def swung(days: np.ndarray) -> np.ndarray:
    """Days of even growth: the integral of 1 + 0.3 cos over a year."""
    year = 2 * math.pi / 365.25
    return days + AMPLITUDE / year * np.sin(year * days)


def pace_of(made, columns) -> Pace:
    known = learn(
        columns,
        reasons_of_world(columns),
        genotype=made.genotype,
        names=made.names,
        site=np.zeros(len(made.genotype), dtype=np.int64),
        sites=1,
        lags={},
        draws=500,
        rng=np.random.default_rng(3),
    )
    return known.pace


def test_even_growth_is_taken_for_even() -> None:
    made = world([0.5], each=40, spread=0.15, scatter_mm=0.03, visits=VISITS)
    pace = pace_of(made, columns_of_world(made))
    assert pace.varies < 0.1
    assert np.median(pace.ahead[:, 6]) == pytest.approx(6, abs=0.1)


def test_growth_that_swings_is_followed() -> None:
    made = world([0.5], each=40, spread=0.15, scatter_mm=0.03)
    months = tuple(float(one) for one in swung(np.array(VISITS)))
    # discs grow evenly over their own time, and the calendar swings
    columns = columns_of_world(replace(made, visits=months))
    columns = replace(columns, day=BASE_DAY + np.tile(VISITS, 40))
    pace = pace_of(made, columns)
    assert pace.varies > 0.9
    when = (BASE_DAY + np.array(VISITS)) / DAYS_PER_MONTH
    even = np.diff(pace.even_months(when)) / np.diff(when)
    true = np.diff(months) / np.diff(VISITS)
    true /= true.mean()
    assert np.corrcoef(even, true)[0, 1] > 0.9
    # what is to come is less sure than where nothing swings
    assert np.ptp(np.quantile(pace.ahead[:, 6] / 6, [0.1, 0.9])) > 0.1


def test_dates_and_months_of_even_growth_undo_each_other() -> None:
    steps = np.random.default_rng(1).uniform(0.5, 1.5, (3, FUTURE_MONTHS))
    ahead = np.concatenate([np.zeros((3, 1)), steps.cumsum(axis=1)], axis=1)
    pace = Pace(np.array([90.0, 100.0]), np.array([88.0, 100.0]), ahead, 0.9)
    months = np.array([80.0, 95.0, 100.0, 100.4, 112.3, 100.0 + FUTURE_MONTHS + 7])
    even = pace.even_at(months)
    assert pace.calendar(even)[2:] == pytest.approx(np.tile(months[2:, None], 3))
    assert even[1] == pytest.approx(np.full(3, 94.0))
    assert even[0] == pytest.approx(np.full(3, 78.0))


def test_an_even_pace_changes_nothing() -> None:
    pace, months = even_pace(4), np.array([3.0, 700.5])
    assert (pace.even_at(months) == months[:, None]).all()
    assert (pace.calendar(np.tile(months[:, None], 4)) == months[:, None]).all()


def test_two_visits_tell_no_change_of_pace() -> None:
    made = world([0.5], each=10, visits=(0.0, 60.0))
    assert pace_of(made, columns_of_world(made)).varies == 0
