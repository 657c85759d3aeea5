"""Past forecasts against what came, on nurseries whose growth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fragarea.outplant import Past, back_test, past_lines
from fragarea.outplant.backtest import BORROWED, HORIZON_WORDS
from tests.outplant.worlds import BASE_DAY, columns_of_world, reasons_of_world, world


def past_of(made, columns=None, **changes) -> Past:
    columns = columns or columns_of_world(made)
    n = len(made.genotype)
    given = {
        "lag_days": np.zeros(n),
        "exchanged_day": np.full(n, np.nan),
        "genotype": made.genotype,
        "names": made.names,
        "site": np.zeros(n, dtype=np.int64),
        "sites": 1,
        "lags": {},
        "rng": np.random.default_rng(1),
    }
    return back_test(columns, reasons_of_world(columns), **(given | changes))


def test_forecasts_of_true_lines_are_inside_as_often_as_they_say() -> None:
    places = []
    for seed in range(12):
        made = world([0.4, 0.6], each=20, spread=0.15, scatter_mm=0.03, seed=seed)
        places.append(past_of(made, columns_of_world(made, seed)).place)
    off = np.abs(np.concatenate(places) - 0.5)
    # some 2,900 forecasts, of which those of one fragment hang together: standard errors about 1.5 and 1 %
    assert (off <= 0.4).mean() == pytest.approx(0.8, abs=0.04)
    assert (off <= 0.475).mean() == pytest.approx(0.95, abs=0.025)


def test_each_forecast_is_made_from_what_was_known_then() -> None:
    made = world([0.5], each=10, outline_rel=0.002)
    columns = columns_of_world(made)
    later = columns.day > BASE_DAY + 80
    # from the fourth visit on everything stands still: forecasts made before cannot know
    still = np.repeat(columns.area_mm2.reshape(10, 5)[:, 2], 5)
    columns = replace(columns, area_mm2=np.where(later, still, columns.area_mm2))
    past = past_of(made, columns)
    early = (past.origin_day == BASE_DAY + 70) & (past.day == BASE_DAY + 126)
    assert early.sum() == 10
    # measured where it was 56 days before
    assert past.error_days[early] == pytest.approx(np.full(10, 56), abs=4)
    assert (past.place[early] < 0.1).all()


def test_two_visits_hold_no_forecast_against_anything() -> None:
    made = world([0.5], each=6, visits=(0.0, 60.0))
    assert len(past_of(made)) == 0
    assert past_lines(past_of(made), made.names) == ()


def test_only_the_days_asked_for_are_origins() -> None:
    past = past_of(world([0.5], each=6), since_day=BASE_DAY + 80)
    assert set(past.origin_day) == {BASE_DAY + 91}


def test_what_was_borrowed_from_the_species_stands_apart() -> None:
    made = world([0.5, 0.5], each=6)
    columns = columns_of_world(made)
    # the second genotype comes at the third visit
    columns = columns.rows((columns.fragment < 6) | (columns.day > BASE_DAY + 60))
    past = past_of(made, columns)
    assert past.borrowed.sum() == 12  # at its first visit, six fragments for two visits each
    lines = {(one.genotype, one.horizon): one for one in past_lines(past, made.names)}
    assert lines["", BORROWED].forecasts == 12
    assert lines["", ""].forecasts == len(past) - 12
    by_horizon = [lines["", words].forecasts for words in HORIZON_WORDS if ("", words) in lines]
    assert sum(by_horizon) == lines["", ""].forecasts
