"""Cut numbers, stock, deadlines, breadth: closed forms and the textbook's negative binomial."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy import stats

from fragarea.nursery import MEASURES, ClosedTime, Colony, Fragment, Outplanting, Substrate, parse_expression
from fragarea.nursery.outplanting import ReadinessRule
from fragarea.outplant import (
    Forecast,
    Piece,
    Standing,
    State,
    Verdict,
    assurance_of,
    breadth,
    colony_limits,
    day_or_none,
    deadlines,
    needs_of,
    next_open,
    pieces_needed,
    plan_cuts,
    ready_chance,
    safe_number,
    safe_with,
    stock_lines,
    weekly,
)
from fragarea.outplant.pace import even_pace
from tests.outplant.samples import area, unit
from tests.outplant.worlds import learned, world

NO_STOCK = np.zeros(500, dtype=np.int64)
TODAY = date(2032, 6, 6)
TODAY_MONTHS = 749.0


@pytest.mark.parametrize("chance", [0.05, 0.3, 0.64, 0.95])
@pytest.mark.parametrize("wanted", [1, 7, 60])
@pytest.mark.parametrize("assurance", [0.5, 0.9, 0.99])
def test_with_certain_growth_the_cut_number_is_the_negative_binomial_quantile(
    chance: float, wanted: int, assurance: float
) -> None:
    # trials until `wanted` successes: wanted + NegativeBinomial(wanted, chance) (Johnson, Kemp & Kotz, from memory)
    exact = wanted + int(stats.nbinom.ppf(assurance, wanted, chance))
    assert pieces_needed(wanted, assurance, np.full(500, chance), NO_STOCK) == exact


def test_the_chance_to_reach_a_number_is_the_binomial_tail() -> None:
    found = assurance_of(8, 12, np.full(500, 0.7), NO_STOCK)
    direct = sum(math.comb(12, k) * 0.7**k * 0.3 ** (12 - k) for k in range(8, 13))
    assert found == pytest.approx(np.full(500, direct))


def test_stock_is_counted_before_anything_is_cut() -> None:
    assert pieces_needed(5, 0.9, np.full(500, 0.5), np.full(500, 5)) == 0
    stock = np.r_[np.full(450, 5), np.full(50, 0)]  # nine in ten times there are enough already
    assert pieces_needed(5, 0.9, np.full(500, 0.5), stock) == 0
    assert pieces_needed(5, 0.95, np.full(500, 0.5), stock) > 5


def test_what_no_number_of_pieces_reaches_is_none() -> None:
    assert pieces_needed(5, 0.9, np.zeros(500), NO_STOCK) is None
    half = np.r_[np.zeros(250), np.full(250, 0.5)]  # of the draws
    assert pieces_needed(5, 0.9, half, NO_STOCK) is None
    assert pieces_needed(5, 0.49, half, NO_STOCK) is not None


def test_unsure_growth_asks_for_more_pieces_than_the_same_mean_chance() -> None:
    rng = np.random.default_rng(1)
    unsure = rng.beta(4, 4, 500)
    sure = np.full(500, unsure.mean())
    assert pieces_needed(20, 0.9, unsure, NO_STOCK) > 1.3 * pieces_needed(20, 0.9, sure, NO_STOCK)


def test_the_safe_number_is_reached_with_the_assurance() -> None:
    stock = np.arange(100)
    assert safe_number(stock, 0.9) == 10
    assert (stock >= 10).mean() >= 0.9 > (stock >= 11).mean()
    assert safe_number(np.empty(0, dtype=int), 0.9) == 0


def piece(**changes) -> Piece:
    given = {"radius_mm": 5.0, "radius_u_mm": 0.0, "target_mm": 10.0, "target_noise_mm": 0.0, "wait_days": 0.0}
    return Piece(**(given | changes))


def certain(draws: int = 400, *, speed: float = 1.0, loss: float = 0.0, lag: float = 0.0, spread: float = 1e-9):
    known = learned(world([0.5], each=8), draws=draws)
    speeds = replace(
        known.speeds,
        speed=np.full((draws, 1), speed),
        spread=np.full((draws, 1), spread),
        scatter_mm=np.full((draws, 1), 1e-9),
    )
    return replace(
        known,
        speeds=speeds,
        loss_per_month=np.full((draws, 1), loss),
        lag_months=np.full((draws, 1), lag),
        pace=even_pace(draws),
    )


def test_a_piece_is_ready_when_plain_arithmetic_says_so() -> None:
    # from 5 to 10 mm at 1 mm a month: five months, and the lag on top
    for lag in (0.0, 1.0):
        known = certain(lag=lag)
        for months, chance in ((4.9 + lag, 0.0), (5.1 + lag, 1.0)):
            found = ready_chance(piece(), known, 0, days=months * 30.4375, today_months=TODAY_MONTHS)
            assert found == pytest.approx(np.full(400, chance), abs=1e-9)


def test_the_spread_of_speeds_gives_a_normal_chance_and_losses_an_exponential_one() -> None:
    months = 6.0
    found = ready_chance(piece(), certain(spread=0.2, loss=0.02), 0, days=months * 30.4375, today_months=TODAY_MONTHS)
    direct = stats.norm.sf((10 - 5) / months, loc=1.0, scale=0.2) * math.exp(-0.02 * months)
    assert found == pytest.approx(np.full(400, direct), rel=1e-6)


def test_a_piece_too_young_or_for_a_plug_too_small_is_never_ready() -> None:
    known = certain()
    assert ready_chance(piece(wait_days=400), known, 0, days=399, today_months=TODAY_MONTHS).max() == 0
    assert ready_chance(piece(wait_days=400), known, 0, days=400, today_months=TODAY_MONTHS).min() > 0.99
    assert ready_chance(piece(target_mm=math.inf), known, 0, days=4000, today_months=TODAY_MONTHS).max() == 0


def cuts(wanted: int, allowed: int | None = None, stock: int = 0, **changes):
    known = certain(**changes)
    return plan_cuts(
        {0: wanted},
        {0: piece()},
        known,
        np.full((400, 1), stock, dtype=np.int32),
        by=TODAY + timedelta(days=200),
        on=TODAY,
        assurance=0.9,
        loss_after=0.2,
        allowed={0: allowed},
        rng=np.random.default_rng(1),
    )


def test_a_plan_is_the_negative_binomial_with_the_loss_after_planting() -> None:
    (line,) = cuts(10).lines
    exact = 10 + int(stats.nbinom.ppf(0.9, 10, 0.8))
    assert (line.pieces, line.to_cut) == (exact, exact)
    assert line.assurance == pytest.approx(float(stats.binom.sf(9, exact, 0.8)))
    assert cuts(10).together == pytest.approx(line.assurance)


def test_a_plan_honours_the_limit_of_the_broodstock() -> None:
    (line,) = cuts(10, allowed=11).lines
    assert (line.to_cut, line.allowed) == (11, 11)
    assert line.assurance == pytest.approx(float(stats.binom.sf(9, 11, 0.8)))
    (line,) = cuts(10, allowed=0).lines
    assert (line.to_cut, line.assurance) == (0, 0)


def test_what_is_safe_with_the_cuts_that_are_allowed_is_the_binomial_quantile() -> None:
    (line,) = cuts(10, allowed=8).lines
    # the largest k with P(X >= k) >= 0.9, where X is binomial: the 10 % quantile
    assert line.safe == int(stats.binom.ppf(0.1, 8, 0.8)) == 5
    assert cuts(10).lines[0].safe == 10
    assert safe_with(0, 0.9, np.full(100, 0.5), np.arange(100)) == safe_number(np.arange(100), 0.9)
    assert safe_with(0, 0.9, np.empty(0), np.empty(0, dtype=int)) == 0


def test_stock_is_thinned_by_the_loss_after_planting() -> None:
    (line,) = cuts(10, stock=10).lines
    assert line.stock_expected == pytest.approx(8, abs=0.3)
    assert line.stock_safe == pytest.approx(stats.binom.ppf(0.1, 10, 0.8), abs=1)
    assert 0 < line.pieces < cuts(10).lines[0].pieces


def test_colonies_give_what_is_left_of_their_share_of_the_year() -> None:
    settings = Outplanting(colonies=(Colony("B1", 20_000, 0.1), Colony("B2", 5_000, 0.1)), piece_mm2=150)
    old, new = TODAY - timedelta(days=365), TODAY - timedelta(days=364)
    table = [
        Fragment("F1", "s", "G1", "B1", old),
        Fragment("F2", "s", "G1", "B1", new),
        Fragment("F3", "s", "G1", "B1", TODAY),
        *(Fragment(f"E{i}", "s", "G2", "B2", new) for i in range(9)),
        Fragment("F9", "s", "G3", "B3", new),
        Fragment("F8", "s", "G3", "", new),
    ]
    found = {one.colony: one for one in colony_limits(table, settings, TODAY)}
    # a tenth of 200 cm2 is 20 cm2; two pieces of 1.5 cm2 are taken, eleven more fit into 17 cm2
    assert (found["B1"].allowed_mm2, found["B1"].cut_mm2, found["B1"].pieces) == (2000, 300, 11)
    assert found["B2"].pieces == 0
    assert found["B3"].pieces is None


def test_effective_number_is_the_inverse_of_simpsons_index() -> None:
    found = breadth({"G1": 70, "G2": 20, "G3": 10, "G4": 0})
    assert found is not None
    # 1 / (0.49 + 0.04 + 0.01)
    assert found.effective == pytest.approx(1 / 0.54)
    assert found.shares == {"G1": 0.7, "G2": 0.2, "G3": 0.1}
    assert (found.dominating(0.5), found.dominating(0.7)) == ("G1", "")
    assert breadth({"G1": 0}) is None
    assert breadth({f"G{i}": 5 for i in range(8)}).effective == pytest.approx(8)


CLOSED = Outplanting(closed=(ClosedTime("storms", (6, 1), (11, 30)), ClosedTime("once", date(2033, 1, 1), TODAY)))


def test_the_next_open_day_is_the_first_that_no_closed_time_holds() -> None:
    assert next_open(date(2032, 7, 1), CLOSED) == date(2032, 12, 1)
    assert next_open(date(2032, 5, 31), CLOSED) == date(2032, 5, 31)
    assert next_open(TODAY, Outplanting(closed=(ClosedTime("always", (1, 1), (12, 31)),))) is None


def counted(counts: np.ndarray, ready=None) -> Forecast:
    n = 1 if ready is None else len(ready)
    days = np.array([0.0, 200.0])
    chance = np.tile([0.0, 0.4], (n, 1))
    return Forecast(days, np.zeros((n, 3)) if ready is None else ready, chance, counts.astype(np.int32))


def test_ranges_of_stock_are_those_of_sums_within_draws() -> None:
    rng = np.random.default_rng(1)
    shared = rng.binomial(20, 0.5, 4000)
    counts = np.stack([shared, shared], axis=1)[:, :, None].repeat(2, axis=2)
    lines = stock_lines(counted(counts), [("G1", "s"), ("G2", "s")], CLOSED, TODAY)
    whole = next(line for line in lines if line.whole == "species" and line.day == TODAY)
    one = next(line for line in lines if line.genotype == "G2" and line.day == TODAY)
    assert (one.low_80, one.high_80) == tuple(int(stats.binom.ppf(q, 20, 0.5)) for q in (0.1, 0.9))
    assert (whole.low_95, whole.high_95) == (2 * one.low_95, 2 * one.high_95)  # they vary together
    assert whole.expected == pytest.approx(20, abs=0.3)
    assert (lines[0].closed, lines[1].closed) == ("storms", "")


def test_a_substrate_that_fails_too_early_is_told() -> None:
    since = TODAY - timedelta(days=100)
    verdicts = tuple(
        Verdict(unit((area(0, 100),), name, since=since), state)
        for name, state in (("late", State.NOT_YET), ("early", State.NOT_YET), ("there", State.READY))
    )
    ready = np.array([[80, 90, 100], [10, 20, 30], [0, 0, 0]], dtype=float)
    settings = Outplanting(substrates=(Substrate("cotton line", ("TRAY-1",), 6, 8),))
    standing = Standing(verdicts, None, ())
    (found,) = deadlines(standing, counted(np.zeros((4, 1, 2)), ready), settings, TODAY)
    # six months of 30.4375 days after it came there
    assert (found.fails_from, found.fails_by) == (since + timedelta(days=183), since + timedelta(days=244))
    assert [name for name, _ in found.late] == ["late"]
    assert found.late[0][1] == pytest.approx(0.4 * 83 / 200)


def test_days_are_weekly_and_end_on_the_last() -> None:
    assert weekly(TODAY, TODAY + timedelta(days=16)).tolist() == [0, 7, 14, 16]
    assert weekly(TODAY, TODAY).tolist() == [0]
    assert day_or_none(TODAY, math.inf) is None
    assert day_or_none(TODAY, 1.2) == TODAY + timedelta(days=2)


def needed(text: str = "", **limits):
    if text:
        limits["also"] = parse_expression(text, MEASURES)
    measures = {"area_cm2": 1.0, "cover": 0.2, "age_days": 100.0, "bleached": 0.0, "days_since_loss": math.inf}
    return needs_of(Verdict(unit(()), State.NOT_YET, measures=measures), ReadinessRule(**limits))


def test_needs_are_the_larger_of_area_and_cover_and_the_days_left() -> None:
    plug = math.pi * 12.5**2
    found = needed(min_area_mm2=300, min_cover=0.8, min_age_days=130)
    assert (found.area_mm2, found.wait_days, found.unknown) == (pytest.approx(0.8 * plug), 30, "")


def test_a_rule_of_ones_own_is_read_as_area_and_age() -> None:
    assert needed("area_cm2 >= 3.3 and bleached < 0.1").area_mm2 == pytest.approx(330, rel=1e-5)
    assert needed("cover > 0.5").area_mm2 == pytest.approx(0.5 * math.pi * 12.5**2, rel=1e-5)
    found = needed("area_cm2 >= 2 and age_days >= 150")
    assert (found.area_mm2, found.wait_days) == (pytest.approx(200, rel=1e-5), 60)  # in steps of 30 days
    assert needed("days_since_loss > 60").area_mm2 == 0
    assert needed("area_cm2 < 0.5").unknown == "the rule 'area_cm2 < 0.5' holds for no area and age"
    assert needed(min_fused=0.8).unknown == "fusion is told by: fragarea fusion"
