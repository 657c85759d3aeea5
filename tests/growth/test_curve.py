"""What counts as growth, what is left out, and why."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest

from fragarea.growth import (
    CurveRules,
    ErrorPart,
    LeftOut,
    columns_of,
    count_left_out,
    curve_by_reasons,
    estimate_lag,
    growth_curve,
    reasons_of,
    sudden_loss,
)
from fragarea.growth.columns import day_of
from fragarea.growth.loss import fell
from fragarea.measurement import FragmentStatus
from tests.growth.samples import START, disc, history, point, true_histories, true_series


def reasons(*points, rules=CurveRules(), **changes):
    return [reason for _, reason in growth_curve(history(points, **changes), rules).left_out]


def test_undisturbed_growth_is_kept_whole() -> None:
    points = [disc(7 * week, 5 + 0.2 * week, 1.0, rim_share=0.0) for week in range(6)]
    curve = growth_curve(history(points))
    assert curve.points == tuple(points)
    assert curve.left_out == ()
    assert count_left_out([curve]) == {}


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"marked_wrong": True}, LeftOut.MARKED_WRONG),
        ({"status": FragmentStatus.MISSING}, LeftOut.MISSING),
        ({"doubts": frozenset({"cut_off"})}, LeftOut.CUT_OFF),
        ({"doubts": frozenset({"touches_neighbour"})}, LeftOut.SHARED_TISSUE),
    ],
)
def test_a_visit_that_tells_no_area_is_left_out_alone(changes, reason) -> None:
    curve = growth_curve(history([disc(0, 5, 1), disc(7, 5.2, 1, **changes), disc(14, 5.4, 1)]))
    assert [why for _, why in curve.left_out] == [reason]
    assert len(curve.points) == 2


def test_an_unsure_outline_still_counts() -> None:
    assert reasons(disc(0, 5, 1), disc(7, 5.2, 1, doubts=frozenset({"outline_unsure"}))) == []


def test_everything_from_the_rim_on_is_left_out() -> None:
    # tissue that draws back from the edge later is not growth in the open either
    shares = (0.0, 0.04, 0.06, 0.01)
    points = [disc(7 * i, 10 + 0.2 * i, 1, rim_share=share) for i, share in enumerate(shares)]
    assert reasons(*points) == [LeftOut.AT_RIM, LeftOut.AT_RIM]
    assert reasons(*points, rules=CurveRules(rim_share=0.1)) == []


def test_without_an_outline_the_doubt_tells_of_the_rim() -> None:
    assert reasons(disc(0, 10), disc(7, 12, doubts=frozenset({"beyond_rim"})), disc(14, 12)) == [LeftOut.AT_RIM] * 2
    assert reasons(disc(0, 10), disc(7, 11, doubts=frozenset({"beyond_rim"}), rim_share=0.01)) == []


def test_everything_from_a_loss_on_is_left_out() -> None:
    assert reasons(disc(0, 5, 1), disc(7, 4, 1), disc(14, 5.5, 1)) == [LeftOut.AFTER_LOSS] * 2
    assert reasons(disc(0, 5, 1), disc(7, 5, 1, dead_mm2=10.0), disc(14, 5.5, 1)) == [LeftOut.AFTER_LOSS] * 2
    assert reasons(disc(0, 5, 1), point(7, 0.0, status=FragmentStatus.DEAD)) == [LeftOut.AFTER_LOSS]


def test_a_fall_within_uncertainty_is_no_loss() -> None:
    # exact: 6 mm2 of 100 with 2 mm2 a side is 2.1 standard uncertainties of the difference
    assert sudden_loss(point(0, 100.0, 2.0), point(7, 94.0, 2.0)) is None
    found = sudden_loss(point(0, 100.0, 1.0), point(7, 94.0, 1.0))
    assert found is not None
    assert (found.lost_mm2, found.share) == (6.0, pytest.approx(0.06))
    assert found.lost_u_mm2 == pytest.approx(math.sqrt(2))


def test_a_scale_that_both_visits_share_hides_no_loss() -> None:
    shared = (point(0, 100.0, parts=(ErrorPart(5.0, "print"), ErrorPart(0.5))),)
    later = point(7, 92.0, parts=(ErrorPart(4.6, "print"), ErrorPart(0.5)))
    assert sudden_loss(shared[0], later) is not None
    assert sudden_loss(point(0, 100.0, 5.02), point(7, 92.0, 4.63)) is None


def test_points_after_leaving_and_before_healing_are_left_out() -> None:
    points = [disc(7 * week, 5 + 0.2 * week, 1.0) for week in range(5)]
    cut, left = START.date(), (START + timedelta(days=28)).date()
    rules = CurveRules(lag_days=10)
    expected = [LeftOut.HEALING, LeftOut.HEALING, LeftOut.AFTER_LEAVING]
    assert reasons(*points, rules=rules, cut_on=cut, left_on=left) == expected
    assert reasons(*points, rules=rules, left_on=left) == [LeftOut.AFTER_LEAVING], "no lag without a day of cutting"


def test_reasons_are_counted_over_fragments() -> None:
    curves = [
        growth_curve(history([disc(0, 5, marked_wrong=True), disc(7, 6)], undated=2)),
        growth_curve(history([disc(0, 5, marked_wrong=True), disc(7, 6, status=FragmentStatus.MISSING)])),
    ]
    assert count_left_out(curves) == {LeftOut.NO_DATE: 2, LeftOut.MARKED_WRONG: 2, LeftOut.MISSING: 1}


def healing(rng: np.random.Generator, lag: float, sd_mm: float = 0.05, fragments: int = 8):
    """Fragments cut a week before the first of twelve visits, resting until `lag` days after cutting."""
    cut = START.date() - timedelta(days=7)
    found = []
    for number in range(fragments):
        r0, speed = rng.normal(5, 0.5), rng.normal(0.7, 0.07) / 30.4375
        ages = 7.0 * np.arange(1, 13) + 10 / 24
        radii = r0 + speed * np.maximum(0, ages - lag) + sd_mm * rng.normal(size=12)
        points = [disc(7 * i, r, 2 * math.pi * r * sd_mm) for i, r in enumerate(radii)]
        found.append(history(points, f"F{number}", cut_on=cut))
    return found


def test_lag_is_found_again_and_its_interval_covers_it() -> None:
    # simulated truth of 24 days; 60 nurseries, the interval may miss 9 of them (binomial, 99.8 %)
    rng = np.random.default_rng(3)
    found = [estimate_lag(healing(rng, 24.0)) for _ in range(60)]
    assert all(one is not None for one in found)
    lags = np.array([one.lag_days for one in found if one])
    assert lags.mean() == pytest.approx(24.0, abs=1.0)
    assert sum(one.low_days <= 24.0 <= one.high_days for one in found if one) >= 51


def test_no_lag_is_shown_where_there_is_none() -> None:
    rng = np.random.default_rng(4)
    found = [estimate_lag(healing(rng, 0.0)) for _ in range(40)]
    assert sum(one is not None and one.lag_days == 0 for one in found) >= 36


def test_lag_needs_days_of_cutting_and_points() -> None:
    points = [disc(7 * week, 5 + 0.2 * week, 1.0) for week in range(5)]
    assert estimate_lag([history(points)]) is None
    assert estimate_lag([history(points[:3], cut_on=date(2032, 3, 1))]) is None


def test_true_areas_of_a_rendered_tray_leave_out_dying_and_lost_fragments_only() -> None:
    truth = true_series("dev/tray_a")
    curves = {one.fragment: growth_curve(one) for one in true_histories(truth)}
    for plug in truth["events"]["dying_back_from_week_8"]:
        assert {reason for _, reason in curves[plug].left_out} == {LeftOut.AFTER_LOSS}
        assert len(curves[plug].points) == 2, "weeks 0 and 5"
    for plug in truth["events"]["lost"]:
        assert {reason for _, reason in curves[plug].left_out} == {LeftOut.MISSING}
    troubled = {*truth["events"]["lost"], *truth["events"]["dying_back_from_week_8"]}
    assert all(not curve.left_out for plug, curve in curves.items() if plug not in troubled)


def test_many_fragments_at_once_give_what_each_gives_alone() -> None:
    # random histories with every reason in them, as one column set and one by one
    rng = np.random.default_rng(12)
    histories = []
    for number in range(60):
        radius, points = rng.uniform(4, 9), []
        for week in range(int(rng.integers(0, 12))):
            radius += rng.normal(0.1, 0.25)
            area = math.pi * radius**2
            changes = {
                "parts": (
                    ErrorPart(0.01 * area),
                    ErrorPart(0.02 * area, "print"),
                    ErrorPart(0.01 * area, f"w{week}"),
                ),
                "status": FragmentStatus.MISSING if rng.uniform() < 0.05 else FragmentStatus.LIVE,
                "dead_mm2": 0.2 * area * float(rng.uniform() < 0.03),
                "rim_share": None if rng.uniform() < 0.3 else rng.uniform(0, 0.052),
                "doubts": frozenset(
                    rng.choice(["cut_off", "touches_neighbour", "beyond_rim", "x"], 1, p=[0.05, 0.05, 0.05, 0.85])
                ),
                "marked_wrong": rng.uniform() < 0.03,
            }
            points.append(point(7 * week, area, **changes))
        left = (START + timedelta(days=60)).date() if number % 5 == 0 else None
        cut = (START - timedelta(days=3)).date() if number % 2 else None
        histories.append(history(points, f"F{number}", cut_on=cut, left_on=left))
    columns = columns_of(histories)
    rules, days = CurveRules(lag_days=12), np.full(60, np.nan)
    days[7] = days[8] = day_of(START + timedelta(days=20))
    codes = reasons_of(columns, rules, lag_days=np.full(60, 12.0), exchanged_day=days)
    alone = []
    for number, one in enumerate(histories):
        exchanged = START + timedelta(days=20) if number in (7, 8) else None
        curve = growth_curve(one, rules, exchanged_at=exchanged)
        assert curve == curve_by_reasons(one, codes[columns.fragment == number].tolist())
        alone.append(curve)
    assert set(count_left_out(alone)) == {*LeftOut} - {LeftOut.NO_DATE}


def test_a_fall_in_columns_is_the_fall_of_two_points() -> None:
    rng = np.random.default_rng(13)
    pairs = []
    for number in range(200):
        areas = 100.0, rng.uniform(75, 101)
        parts = [(ErrorPart(rng.uniform(0, 3)), ErrorPart(rng.uniform(0, 9), "print")) for _ in areas]
        pairs.append(history([point(7 * i, areas[i], parts=parts[i]) for i in range(2)], f"F{number}"))
    rows = 2 * np.arange(200)
    found = fell(columns_of(pairs), rows, rows + 1)
    assert found.tolist() == [sudden_loss(*one.points) is not None for one in pairs]
    assert 50 < found.sum() < 195
