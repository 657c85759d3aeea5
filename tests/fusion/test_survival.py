"""Times to contact and fusion: against published worked examples, and on pads whose times are known."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy import stats

from benchmarks.drawn_pads import history, pad_at
from fragarea.fusion import FusionRules, PadHistory, PairState
from fragarea.fusion.survival import (
    Event,
    EventTime,
    Grouping,
    _self_consistent,
    _turnbull,
    compare_groups,
    compare_times,
    event_curve,
    event_times,
    log_rank_scores,
)

# Weeks in remission of 42 children, 6-MP against placebo (Freireich et al. 1963, Blood 21:699)
SIX_MP = [6, 6, 6, 7, 10, 13, 16, 22, 23]
SIX_MP_OPEN = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]

# Months to breast retraction after radiotherapy alone and with chemotherapy (Finkelstein & Wolfe 1985, Biometrics
# 41:933-945), last visit without it and first visit with it; a dot for never
RADIOTHERAPY = """
45 . 25 37 37 . 6 10 46 . 0 5 0 7 26 40 18 . 46 . 46 . 24 . 46 . 27 34 36 . 7 16 36 44 5 11 17 . 46 . 19 35 7 14 36
48 17 25 37 44 37 . 24 . 0 8 40 . 32 . 4 11 17 25 33 . 15 . 46 . 19 26 11 15 11 18 37 . 22 . 38 . 34 . 46 . 5 12 36 .
46 ."""
CHEMOTHERAPY = """
8 12 0 5 30 34 0 22 5 8 13 . 24 31 12 20 10 17 17 27 11 . 8 21 17 23 33 40 4 9 24 30 31 . 11 . 16 24 13 39 14 19 13 .
19 32 4 8 11 13 34 . 34 . 16 20 13 . 30 36 18 25 16 24 18 24 17 26 35 . 16 60 32 . 15 22 35 39 23 . 11 17 21 . 44 48
22 32 11 20 14 17 10 35 48 ."""


def exact(group: str, seen: list[int], still: list[int]) -> list[EventTime]:
    times = [(float(t), float(t)) for t in seen] + [(float(t), math.inf) for t in still]
    return [EventTime(f"{group}{n}", "", group, *one) for n, one in enumerate(times)]


def between(group: str, text: str) -> list[EventTime]:
    numbers = [math.inf if word == "." else float(word) for word in text.split()]
    bounds = zip(numbers[::2], numbers[1::2], strict=True)
    return [EventTime(f"{group}{n}", "", group, *one) for n, one in enumerate(bounds)]


TRIAL = exact("6-MP", SIX_MP, SIX_MP_OPEN) + exact("placebo", PLACEBO, [])
COSMESIS = between("RT", RADIOTHERAPY) + between("RCT", CHEMOTHERAPY)


def test_curve_of_the_remission_trial() -> None:
    # S(t) as printed in text books on survival; medians 23 and 8 weeks
    six_mp = event_curve(TRIAL[:21])
    at = [six_mp.waiting[list(six_mp.days).index(t)] for t in (6, 7, 10, 13, 16, 22, 23)]
    assert at == pytest.approx([0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], abs=6e-5)
    placebo = event_curve(TRIAL[21:])
    assert (six_mp.method, six_mp.median_days, placebo.median_days) == ("Kaplan-Meier", 23, 8)
    # 95 % interval of the placebo median by the log-log band: 4 to 11 weeks (from memory of text books)
    assert (placebo.median_low_days, placebo.median_high_days) == (4, 11)
    assert six_mp.median_high_days == math.inf


def test_log_rank_of_the_remission_trial() -> None:
    # chi-square 16.7929 with one degree of freedom, p 4.169e-5
    found = compare_groups(TRIAL)
    assert found.method == "log-rank"
    assert found.statistic == pytest.approx(16.7929, abs=6e-5)
    assert found.p_value == pytest.approx(4.169e-5, abs=6e-9)


def test_scores_of_exact_times_are_events_seen_less_expected() -> None:
    # the trial's log-rank table: 9 relapses seen with 6-MP, 19.25 expected (text books; from memory)
    scores = log_rank_scores(TRIAL)
    assert scores[:21].sum() == pytest.approx(9 - 19.25, abs=6e-3)
    # the search ends when the log-likelihood gains less than 1e-10, about the square of how far off it is
    assert scores.sum() == pytest.approx(0.0, abs=2e-5)


def test_estimate_of_the_cosmesis_trial() -> None:
    # published estimates of Finkelstein & Wolfe's data (Fay & Shaw 2010, doi 10.18637/jss.v036.i02; from memory):
    # where it falls, at the right end of each interval, and by how much
    published = {
        "RT": {5: 0.0463, 7: 0.0334, 8: 0.0887, 12: 0.0708, 25: 0.0926, 34: 0.0818, 40: 0.1209, 48: 0.4656},
        "RCT": {
            **dict(zip((5, 8, 12, 17, 19, 20), (0.0433, 0.0433, 0.0692, 0.1454, 0.1411, 0.1157), strict=True)),
            **dict(zip((25, 31, 36, 48, 60), (0.0999, 0.0709, 0.1608, 0.0552, 0.0552), strict=True)),
        },
    }
    for group, expected in published.items():
        curve = event_curve([one for one in COSMESIS if one.group == group], draws=2)
        falls = -np.diff(curve.waiting)
        told = {int(day): fall for day, fall in zip(curve.days[1:], falls, strict=True) if fall > 1e-4}
        assert curve.method == "Turnbull"
        assert list(told) == list(expected)
        assert list(told.values()) == pytest.approx(list(expected.values()), abs=1e-4)


def test_draws_are_fitted_as_the_library_fits() -> None:
    lower = np.array([one.lower_days for one in COSMESIS])
    upper = np.array([one.upper_days for one in COSMESIS])
    weights = np.random.default_rng(2).integers(0, 3, len(COSMESIS)).astype(float)
    days, waiting = _turnbull(lower, upper, weights)
    at, share = _self_consistent(lower, upper, weights)
    # 0.002: the iteration stops where no mass moves by more than 1e-6 a step, and may have a thousand steps to go
    assert share[np.searchsorted(at, days, side="right") - 1] == pytest.approx(waiting, abs=0.002)


def test_no_other_estimate_is_likelier() -> None:
    # Gentleman & Geyer 1994, Biometrika 81:618-623: at the maximum, mean over pairs of (mass inside) / P is 1 where
    # the estimate falls and no more anywhere else
    times = COSMESIS[:46]
    curve = event_curve(times, draws=2)
    mass = -np.diff(curve.waiting)
    bounds = np.array([(one.lower_days, one.upper_days) for one in times])
    inside = (curve.days[1:] > bounds[:, :1]) & (curve.days[1:] <= bounds[:, 1:])
    gain = (inside / (inside @ mass)[:, None]).mean(axis=0)
    assert gain[mass > 1e-3] == pytest.approx(1.0, abs=2e-3)
    assert gain.max() < 1.002


def test_log_rank_of_the_cosmesis_trial() -> None:
    # Fay & Shaw 2010, doi 10.18637/jss.v036.i02 (from memory): Sun's scores, sum 9.141846, Z 2.6684, p 0.007622
    scores = log_rank_scores(COSMESIS)
    told = scores[46:].sum()
    assert told == pytest.approx(9.141846, abs=2e-4)
    variance = ((scores - scores.mean()) ** 2).sum() / 93 * 46 * 48 / 94
    assert told / math.sqrt(variance) == pytest.approx(2.6684, abs=1e-4)
    assert 2 * stats.norm.sf(told / math.sqrt(variance)) == pytest.approx(0.007622, abs=2e-6)
    found = compare_groups(COSMESIS)
    # 4,999 permutations tell p to 0.0012 (one standard error of a share of 0.0076)
    assert found.p_value == pytest.approx(0.007622, abs=0.004)


def test_pads_that_do_not_differ_are_told_apart_one_time_in_twenty() -> None:
    # coverage: all pairs of a pad early or late together, groups alike; pairs taken as independent would fail this
    rng = np.random.default_rng(7)
    small = 0
    for _ in range(200):
        times = []
        for pad in range(12):
            middle = rng.normal(600, 150)
            for pair in range(8):
                visit = float(np.ceil(max(rng.normal(middle, 60), 60) / 60) * 60)
                times.append(EventTime(str(pad), str(pair), "AB"[pad % 2], visit - 60, visit))
        small += compare_groups(times, permutations=199).p_value <= 0.05
    # binomial with p 0.05 and 200 trials: 10 expected, 3.1 standard deviation
    assert small <= 19


# pads


def test_the_event_lies_between_the_last_visit_without_and_the_first_with_it() -> None:
    # discs at 30 mm that grow 0.5 mm a month from a radius of 12 mm meet after 6 months
    pad = history(pad_at(12.0 + 0.5 * m, m) for m in (0, 2, 5, 7, 9))
    times, left_out = event_times([pad], Event.CONTACT, Grouping.GENOTYPE, stood_since={})
    assert not left_out
    days = [(pad.visits[n].day - pad.visits[0].day).days for n in (2, 3)]
    assert {(one.lower_days, one.upper_days) for one in times} == {(days[0], days[1])}
    before = {"PAD": pad.visits[0].day - timedelta(days=40)}
    times, _ = event_times([pad], Event.CONTACT, Grouping.GENOTYPE, stood_since=before)
    assert {(one.lower_days, one.upper_days) for one in times} == {(days[0] + 40, days[1] + 40)}


def test_pairs_that_have_not_met_are_open_and_those_that_had_met_before_have_no_time() -> None:
    pad = history([pad_at(12.0, 0), pad_at(13.0, 2)])
    times, _ = event_times([pad], Event.CONTACT, Grouping.GENOTYPE, stood_since={})
    assert {one.upper_days for one in times} == {math.inf}
    met = history([pad_at(15.5, 0), pad_at(16.0, 2)])
    times, left_out = event_times([met], Event.CONTACT, Grouping.GENOTYPE, stood_since={})
    assert not times
    assert left_out == {"there at the first visit, and no earlier day is known": len(met.pairs)}
    times, _ = event_times([met], Event.CONTACT, Grouping.GENOTYPE, stood_since={"PAD": date(2029, 12, 1)})
    assert {one.lower_days for one in times} == {0.0}


def test_pairs_of_two_genotypes_are_not_waited_for_to_fuse() -> None:
    pad = history(pad_at(12.0 + 0.5 * m, m, genotypes=("G", "H") * 5) for m in (0, 5, 7))
    times, left_out = event_times([pad], Event.FUSION, Grouping.GENOTYPE, stood_since={})
    assert left_out == {"of two genotypes: they do not fuse": sum(not p.one_genotype for p in pad.visits[0].pairs)}
    assert {one.group for one in times} == {"G", "H"}


def test_groups_by_spacing_and_size() -> None:
    pads = [history(pad_at(12.0 + 0.5 * m, m, spacing_mm=s, site=f"P{s}") for m in (0, 5)) for s in (30, 34)]
    times, _ = event_times(pads, Event.CONTACT, Grouping.SPACING, stood_since={})
    assert {one.group for one in times} == {"30 mm", "34 mm"}
    pads = [history(pad_at(r, m, site=f"P{r}") for m in (0, 5)) for r in (8.0, 10.0)]
    times, _ = event_times(pads, Event.CONTACT, Grouping.SIZE, stood_since={})
    # halves at the median of pi 0.8^2 = 2.01 and pi 1.0^2 = 3.14 cm2
    assert {one.group for one in times} == {"up to 2.58 cm²", "above 2.58 cm²"}


def test_fast_and_slow_genotypes_are_told_apart_and_few_pads_are_not_compared() -> None:
    pads = [
        history(
            pad_at(12.0 + speed * m, m, site=f"{name}{n}", genotypes=(name,) * 10) for m in range(0, 25, 3 + n % 2)
        )
        for name, speed in (("fast", 0.5), ("slow", 0.2))
        for n in range(5)
    ]
    told = compare_times(pads, Event.CONTACT, Grouping.GENOTYPE, stood_since={}, draws=30)
    # five pads of each: 252 ways to deal them, the seen one and its mirror the most extreme
    assert told.comparison.p_value == pytest.approx(2 / 252, abs=1e-9)
    fast, slow = told.curves
    # exact: meet after 3 mm / 0.5 and 3 mm / 0.2 a month, less the 0.3 mm that count as contact
    assert fast.median_days == pytest.approx(30.4375 * 6, abs=31 * 3)
    assert slow.median_days > fast.median_days
    assert fast.median_low_days <= fast.median_days <= fast.median_high_days
    few = compare_times(pads[:6], Event.CONTACT, Grouping.GENOTYPE, stood_since={}, draws=2)
    assert few.comparison.why_not == "too few pads in slow: 2 of each group are needed"
    assert math.isnan(few.curves[1].median_low_days)


def test_a_pair_that_comes_apart_again_stays_one_that_met() -> None:
    pad = history([pad_at(14.0, 0), pad_at(15.5, 4), pad_at(14.0, 6)])
    times, _ = event_times([pad], Event.CONTACT, Grouping.GENOTYPE, stood_since={})
    assert all(one.happened for one in times)


def test_a_lasting_border_is_contact_and_no_fusion() -> None:
    visit = pad_at(14.0, 0), pad_at(15.5, 4)
    pairs = tuple(replace(pair, state=PairState.BORDER) for pair in visit[1].pairs)
    pad = PadHistory("PAD", (visit[0], replace(visit[1], pairs=pairs)))
    met, _ = event_times([pad], Event.CONTACT, Grouping.GENOTYPE, stood_since={})
    fused, _ = event_times([pad], Event.FUSION, Grouping.GENOTYPE, stood_since={})
    assert all(one.happened for one in met)
    assert not any(one.happened for one in fused)
    assert FusionRules().border_days > 0
