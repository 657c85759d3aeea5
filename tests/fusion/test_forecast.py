"""Forecasts of contact and fusion: against plane geometry, on drawn pads with known futures, what came of them."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from shapely import Point

from benchmarks.drawn_pads import history, pad_at
from benchmarks.pads_forecast import coverage
from fragarea.fusion import FusionRules
from fragarea.fusion.forecast import Verdict, forecast_pad, overlap_for_neck, past_forecasts
from fragarea.fusion.speeds import USUAL_PACE, PadSpeeds, RateSource, fragment_speed, gap_line, speeds_of
from fragarea.growth import GenotypeGrowth, GenotypesGrowth, Method

MONTH = 30.4375


def certain(speed: float, genotype: str = "G") -> PadSpeeds:
    """A rate that is known exactly and alike in all fragments."""
    growth = GenotypeGrowth(genotype, 10, 50, Method.OWN, speed, 0.0, speed, speed, math.inf, 0.0, 0.0)
    return PadSpeeds({genotype: growth}, {genotype: RateSource.PADS}, {(genotype, genotype): 0.0}, {}, 0.0)


def on_trays(speed: float, genotype: str = "G") -> GenotypesGrowth:
    growth = GenotypeGrowth(genotype, 10, 50, Method.OWN, speed, 0.02, speed - 0.04, speed + 0.04, 9.0, 0.1, 0.05)
    return GenotypesGrowth((growth,), np.array([[0.02**2]]))


def test_ten_discs_in_a_hexagonal_layout_close_when_geometry_says() -> None:
    # discs of 12 mm at 30 mm, edges 0.5 mm a month: contact after (30 - 2 * 12) / (2 * 0.5) = 6 months; a neck of
    # 4 mm when sqrt(15^2 + 2^2) - 12 = 3.1327 mm are grown, after 6.2655 months
    rules = FusionRules(neck_mm=4.0, contact_mm=0.0)
    pad = history([pad_at(12.0, 0, gap_u_mm=0.0)])
    told = forecast_pad(pad, certain(0.5), rules)
    for dates, months in (
        (told.half_contact, 6.0),
        (told.all_contact, 6.0),
        (told.half_fused, 2 * (math.sqrt(15**2 + 2**2) - 12)),
        (told.all_fused, 2 * (math.sqrt(15**2 + 2**2) - 12)),
    ):
        assert dates is not None
        # 2 days: a gap is never known better than 0.02 mm, 0.6 days of closing
        assert (dates.median - told.made_on).days == pytest.approx(MONTH * months, abs=2)
    assert len(told.pairs) == 19  # three, four and three plugs: 2 + 3 + 2 along rows, 6 + 6 between them


def test_a_gap_closes_by_both_edges() -> None:
    # published note: edges that each move k meet across g after g / (2 k): 10 mm and 1 mm a month, 5 months
    pad = history([pad_at(10.0, 0, gap_u_mm=0.0)])
    told = forecast_pad(pad, certain(1.0), FusionRules(contact_mm=0.0))
    assert all(one.contact and (one.contact.median - told.made_on).days in (151, 152, 153) for one in told.pairs)


@pytest.mark.parametrize(("p", "q", "distance"), [(15.3, 15.3, 30.0), (12.0, 20.0, 30.0), (5.0, 26.0, 30.5)])
def test_the_neck_of_two_discs_is_their_common_chord(p: float, q: float, distance: float) -> None:
    # exact: the chord of two drawn circles, from the points in which they cross
    crossing = Point(0, 0).buffer(p, quad_segs=4096).boundary & Point(distance, 0).buffer(q, quad_segs=4096).boundary
    low, _, high = crossing.bounds[1], None, crossing.bounds[3]
    overlap = overlap_for_neck(distance, p / (p + q), high - low)
    assert overlap == pytest.approx(p + q - distance, rel=1e-4)


def test_a_neck_wider_than_the_smaller_disc_is_never_reached() -> None:
    assert overlap_for_neck(30.0, 0.05, 25.0) == math.inf


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    # 1,824 pairs on 96 drawn pads whose own fragments, gaps and visits tell the rates; the benchmark prints more
    told = coverage(pads=96, visits=5, seed=3)
    assert 0.77 <= told.pairs_80 <= 0.83
    assert 0.93 <= told.pairs_95 <= 0.97


def test_pairs_of_a_pad_are_early_or_late_together() -> None:
    # where only the genotype's rate is unsure, the last of 19 pairs is as unsure as each of them
    growth = GenotypeGrowth("G", 10, 50, Method.OWN, 0.5, 0.1, 0.3, 0.7, math.inf, 0.0, 0.0)
    speeds = PadSpeeds({"G": growth}, {"G": RateSource.TRAYS}, {("G", "G"): 0.01}, {}, 0.0)
    told = forecast_pad(history([pad_at(12.0, 0)]), speeds, FusionRules())
    one = told.pairs[0].contact
    assert told.all_contact is not None
    assert one is not None
    assert told.half_contact is not None
    assert (told.all_contact.median - told.half_contact.median).days < 20
    assert told.all_contact.high_80 is not None
    assert one.high_80 is not None
    # 10 % quantile of the rate: 0.5 - 1.2816 * 0.1 mm a month, over a gap of 6 mm less the 0.3 mm that are contact
    assert (one.high_80 - told.made_on).days == pytest.approx(MONTH * 5.7 / (2 * (0.5 - 0.12816)), rel=0.03)


def test_a_gap_that_does_not_close_gets_a_sentence_and_no_date() -> None:
    for speed, words in (
        (-0.1, "does not close (it widens by 0.20 mm a month)"),
        (0.01, "at 0.02 mm a month the gap does not close within ten years"),
    ):
        told = forecast_pad(history([pad_at(12.0, 0)]), certain(speed), FusionRules())
        assert told.all_contact is None
        assert told.all_fused is None
        assert all(one.contact is None and words in one.contact_why for one in told.pairs)
        assert "within ten years" in told.why["all_contact"]


def test_two_genotypes_meet_and_never_fuse() -> None:
    growth = {name: certain(0.5, name).growth[name] for name in "GH"}
    covariance = {(a, b): 0.0 for a in "GH" for b in "GH"}
    speeds = PadSpeeds(growth, dict.fromkeys("GH", RateSource.PADS), covariance, {}, 0.0)
    told = forecast_pad(history([pad_at(12.0, 0, genotypes=("G", "H") * 5)]), speeds, FusionRules())
    mixed = [one for one in told.pairs if not one.last.one_genotype]
    assert all(one.contact is not None and one.fused is None for one in mixed)
    assert {one.fused_why for one in mixed} == {"two genotypes do not fuse"}
    assert told.all_fused is not None  # of the pairs that can


def test_what_has_happened_is_not_forecast() -> None:
    told = forecast_pad(history([pad_at(14.0, 0), pad_at(15.6, 3)]), certain(0.5), FusionRules())
    assert told.reached == {"half_contact", "all_contact", "half_fused", "all_fused"}
    assert told.all_fused is None
    assert told.pairs[0].contact_why == "in contact already"


def test_a_pad_far_from_two_to_three_years_gets_a_doubt() -> None:
    # common practice, no source: about ten plugs of massive coral close in about two to three years
    def doubt(radius: float, speed: float) -> str:
        return forecast_pad(history([pad_at(radius, 0)]), certain(speed), FusionRules()).doubt

    assert doubt(9.0, 0.2) == ""  # 5.85 mm at 0.2 mm a month: 29 months
    assert "0.5 years after 2030-01-05; pads of about ten plugs" in doubt(9.0, 1.0)
    assert "common practice, no source" in doubt(9.0, 0.07)
    stood = forecast_pad(
        history([pad_at(14.0, 0)]),
        certain(0.2),
        FusionRules(),
        stood_since=history([pad_at(14.0, 0)]).visits[0].day - timedelta(days=700),
    )
    assert stood.doubt == ""


def test_rates_come_from_pads_where_these_tell_enough_and_else_from_trays() -> None:
    grown = history(pad_at(9.0 + 0.3 * m, m) for m in (0, 3, 6, 9))
    speeds = speeds_of([grown], on_trays(0.9))
    assert speeds.source_of("G") is RateSource.PADS
    assert speeds.growth["G"].extension_mm_per_month == pytest.approx(0.3, abs=0.01)
    new = speeds_of([history([pad_at(9.0, 0)])], on_trays(0.9))
    assert new.source_of("G") is RateSource.TRAYS
    assert new.growth["G"].extension_mm_per_month == 0.9
    assert speeds_of([history([pad_at(9.0, 0)])]).source_of("G") is RateSource.NONE
    few = speeds_of([history([pad_at(9.0, 0), pad_at(9.6, 2)])])
    assert few.source_of("G") is RateSource.PADS
    assert few.growth["G"].method is Method.MEANS


def test_without_a_rate_there_is_no_date() -> None:
    pad = history([pad_at(9.0, 0)])
    told = forecast_pad(pad, speeds_of([pad]), FusionRules())
    assert told.all_contact is None
    assert "no growth rate is known of their genotype" in told.why["all_contact"]


def test_a_yearly_swing_is_seen_in_what_all_pairs_share_and_errors_make_a_small_one() -> None:
    def seen(swing: float, seed: int = 0) -> float:
        rng = np.random.default_rng(seed)
        visits = []
        for month in range(0, 13, 2):
            even = month + swing * 12 / (2 * math.pi) * (1 - math.cos(2 * math.pi * month / 12))
            off = 0.05 * rng.standard_normal(10)
            visits.append(pad_at(8.0 + 0.3 * even, month, spacing_mm=38.0, off_mm=list(off), gap_u_mm=0.07))
        return speeds_of([history(visits)]).pace

    # exact: over steps of two months a swing of 0.4 has the means 0.4 * 12 / (2 pi 2) * differences of cosines,
    # whose standard deviation over six steps is 0.296
    # (errors of 0.05 mm move it by 0.05 on one pad: the mean over twenty tells whether it is right)
    assert np.mean([seen(0.4, seed) for seed in range(20)]) == pytest.approx(0.296, abs=0.03)
    # edges off by 0.05 mm pass for a small swing on some single pads: intervals are too wide there, never too narrow
    mistaken = [seen(0.0, seed) for seed in range(20)]
    assert np.median(mistaken) == 0.0
    assert max(mistaken) < 0.1
    assert speeds_of([history([pad_at(8.0, 0), pad_at(9.0, 3)])]).pace == USUAL_PACE


def test_areas_in_contact_tell_no_free_growth() -> None:
    # discs meet at month 6 and hardly spread after it
    pad = history(pad_at(r, m) for m, r in ((0, 12.0), (2, 13.0), (4, 14.0), (6, 15.0), (12, 15.1), (18, 15.2)))
    assert speeds_of([pad]).growth["G"].extension_mm_per_month == pytest.approx(0.5, abs=0.02)


def test_a_fragment_is_drawn_towards_its_genotype_by_how_sure_it_is() -> None:
    growth = GenotypeGrowth("G", 10, 50, Method.OWN, 0.5, 0.0, 0.5, 0.5, 9.0, 0.1, 0.0)
    speeds = PadSpeeds({"G": growth}, {"G": RateSource.PADS}, {("G", "G"): 0.0}, {"F": (0.7, 0.1)})
    base, weight, u = fragment_speed(speeds, "F", "G")
    # equal variances: half way, with half the variance
    assert base + weight * 0.5 == pytest.approx(0.6)
    assert u == pytest.approx(0.1 / math.sqrt(2))


def test_the_line_through_gaps_is_least_squares() -> None:
    pad = history(pad_at(r, m) for m, r in ((0, 10.0), (3, 10.7), (5, 11.5)))
    pair = next(iter(pad.pairs.values()))
    line = gap_line(pair)
    slope, level = np.polyfit([0, 3, 5], [10.0, 8.6, 7.0], 1)
    assert line.closing_mm_per_month == pytest.approx(-slope, rel=1e-6)
    assert line.gap_mm - line.closing_mm_per_month * line.months == pytest.approx(level + slope * 5, rel=1e-6)


def test_past_forecasts_are_held_against_what_came() -> None:
    # edges that speed up: forecasts from the slow time come late, so contact came earlier than they say
    steps = ((0, 9.0), (3, 9.3), (6, 9.6), (9, 12.0), (12, 14.5), (15, 15.5))
    pad = history(pad_at(r, m) for m, r in steps)
    early = history(pad.visits[:3])
    made = forecast_pad(early, speeds_of([early]), FusionRules())
    past = past_forecasts(pad, [made])
    assert len(past) == 19
    assert {one.verdict_80 for one in past} == {Verdict.EARLY}
    assert {(one.after, one.until) for one in past} == {(pad.visits[4].day, pad.visits[5].day)}
    steady = history(pad_at(9.0 + 0.5 * m, m) for m in (0, 3, 6, 9, 12, 15))
    first = history(steady.visits[:3])
    held = past_forecasts(steady, [forecast_pad(first, speeds_of([first]), FusionRules())])
    assert {one.verdict_80 for one in held} == {Verdict.HELD}
    stopped = history([*first.visits, *(pad_at(12.0, m) for m in (9, 15, 40))])
    late = past_forecasts(stopped, [forecast_pad(first, speeds_of([first]), FusionRules())])
    assert {one.verdict_95 for one in late} == {Verdict.LATE}


def test_the_same_seed_gives_the_same_forecast() -> None:
    pad = history(pad_at(9.0 + 0.3 * m, m) for m in (0, 3, 6))
    speeds = speeds_of([pad])
    assert forecast_pad(pad, speeds, FusionRules()) == forecast_pad(pad, speeds, FusionRules())
    other = forecast_pad(pad, speeds, FusionRules(), seed=2)
    assert other != forecast_pad(pad, speeds, FusionRules())
