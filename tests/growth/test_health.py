"""What is looked at first, and in which words."""

from __future__ import annotations

import numpy as np

from fragarea.growth import ADVICE, Sign, look_first
from fragarea.measurement import FragmentStatus
from tests.growth.samples import START, history, point, true_histories, true_series

MISSING = {"status": FragmentStatus.MISSING}


def signs(*points, **changes):
    return [finding.sign for concern in look_first([history(points, **changes)]) for finding in concern.findings]


def test_growing_fragments_are_not_on_the_list() -> None:
    assert look_first([history([point(7 * i, 100 + 5 * i, 2.0) for i in range(6)])]) == ()
    assert look_first([history([])]) == ()


def test_a_loss_beyond_uncertainty_is_told_with_its_figures() -> None:
    (concern,) = look_first([history([point(0, 100.0, 2.0), point(7, 80.0, 1.6)])])
    assert [finding.sign for finding in concern.findings] == [Sign.SUDDEN_LOSS]
    # 1.96 sqrt(2.0^2 + 1.6^2) = 5.02 mm2, by hand
    assert concern.findings[0].words == "lost 0.20 ± 0.05 cm² (20 %) since 2032-03-06"
    assert concern.now.area_mm2 == 80.0
    assert concern.before is not None


def test_a_loss_of_a_fifth_is_found_and_quiet_visits_are_not_alarmed() -> None:
    # simulated, areas known to 2 %; 1 false alarm in 500 fragment-visits would be 9 here, and chance alone gives 2
    rng = np.random.default_rng(9)
    found = 0
    for _ in range(200):
        before, now = 100 * (1 + 0.02 * rng.normal()), 80 * (1 + 0.02 * rng.normal())
        found += Sign.SUDDEN_LOSS in signs(point(0, before, 0.02 * before), point(7, now, 0.02 * now))
    assert found >= 190
    alarms = 0
    for _ in range(500):
        areas = 100 * (1 + 0.02 * rng.normal(size=10))
        points = [point(7 * i, area, 0.02 * area) for i, area in enumerate(areas)]
        alarms += sum(bool(look_first([history(points[:end])])) for end in range(2, 11))
    assert alarms < 9


def test_slow_shrinking_is_found_though_no_step_is_large() -> None:
    points = [point(30 * i, area, 1.5) for i, area in enumerate((100.0, 95.0, 90.0, 85.0))]
    assert signs(*points[:2]) == []
    assert signs(*points) == [Sign.SHRINKING]


def test_missing_fragments_rank_high_when_new_and_low_when_known() -> None:
    fresh = history([point(0, 100.0), point(7, 0.0, **MISSING)], "fresh")
    known = history([point(0, 100.0), point(7, 0.0, **MISSING), point(14, 0.0, **MISSING)], "known")
    bleached = history([point(0, 100.0, 2.0), point(7, 100.0, 2.0, bleached_mm2=40.0)], "bleached")
    assert [one.fragment for one in look_first([known, bleached, fresh])] == ["fresh", "bleached", "known"]
    assert look_first([fresh])[0].findings[0].words == "missing, last seen on 2032-03-06"


def test_bleaching_and_bare_skeleton_are_told_as_shares() -> None:
    (concern,) = look_first([history([point(0, 100.0, 2.0), point(7, 100.0, 2.0, bleached_mm2=40.0, dead_mm2=25.0)])])
    assert [finding.words for finding in concern.findings] == [
        "bleached part of the live tissue rose from 0 to 40 % since 2032-03-06",
        "20 % of the skeleton is bare",
    ]
    assert signs(point(0, 100.0, bleached_mm2=20.0), point(7, 100.0, bleached_mm2=22.0)) == [Sign.BLEACHED]
    assert signs(point(0, 100.0, bleached_mm2=5.0, dead_mm2=5.0)) == []


def test_dead_fragments_are_told_and_those_that_left_are_not() -> None:
    dead = [point(0, 100.0, 2.0), point(7, 0.0, status=FragmentStatus.DEAD)]
    assert signs(*dead) == [Sign.DEAD]
    assert signs(*dead, left_on=START.date()) == []
    assert signs(dead[0], point(7, 50.0, 1.0, marked_wrong=True)) == []


def test_words_name_no_disease() -> None:
    words = " ".join([ADVICE, *Sign]).lower()
    assert "veterinarian or permit holder" in words
    for name in ("disease", "infect", "necrosis", "syndrome"):
        assert name not in words


def test_troubled_fragments_of_a_rendered_tray_head_the_list() -> None:
    truth = true_series("dev/tray_a")
    events = truth["events"]
    listed = [one.fragment for one in look_first(true_histories(truth))]
    assert set(listed) == {
        *events["lost"],
        *events["dying_back_from_week_8"],
        *events["bleaching_from_week_8"],
    }
    assert set(listed[:2]) == set(events["dying_back_from_week_8"])
