"""What only time tells: borders that last, and progress that goes backwards."""

import pytest
import shapely
from shapely import MultiPolygon, box

from fragarea.fusion import FusionRules, PadHistory, PairState, history_of
from tests.fusion.pads import disc, photo_of, split, visit

CENTRES = [(0.0, 0.0), (30.0, 0.0)]
RULES = FusionRules()


def pad(radius_mm, months, *, genotypes=("G", "G"), cleft_mm=0.0):
    """Two discs, with a cleft between them where they meet."""
    live = shapely.union_all([disc(centre, radius_mm) for centre in CENTRES])
    if cleft_mm:
        live = shapely.difference(live, box(15 - cleft_mm / 2, -20, 15 + cleft_mm / 2, 20))
    return visit(photo_of(split(live, CENTRES), CENTRES, genotypes=genotypes, months=months), RULES)


def states(history):
    return [seen.pairs[0].state for seen in history.visits]


def test_contact_of_one_genotype_that_lasts_unfused_is_a_border():
    visits = [pad(16, months, cleft_mm=0.2) for months in (0, 2, 5)]
    history = history_of("PAD", visits, RULES)
    assert states(history) == [PairState.CONTACT, PairState.CONTACT, PairState.BORDER]
    assert [seen.progress.border_pairs for seen in history.visits] == [0, 0, 1]
    last = history.visits[-1].pairs[0]
    assert last.p_contact == last.p_apart == 0.0
    assert last.p_state == last.p_border > 0.5  # the rest is that it had fused
    assert last.p_border + last.p_fused == pytest.approx(1.0)


def test_a_line_between_genotypes_that_lasts_is_a_border_though_bare_ground_shows():
    visits = [pad(16, months, cleft_mm=0.8, genotypes=("red", "blue")) for months in (0, 5)]
    assert states(history_of("PAD", visits, RULES)) == [PairState.APART, PairState.BORDER]


def test_a_pair_that_fuses_in_the_end_had_no_border():
    visits = [pad(16, 0, cleft_mm=0.2), pad(16, 3, cleft_mm=0.2), pad(16, 5)]
    assert states(history_of("PAD", visits, RULES)) == [PairState.CONTACT, PairState.CONTACT, PairState.FUSED]


def test_contact_that_was_lost_in_between_begins_anew():
    visits = [pad(16, 0, cleft_mm=0.2), pad(12, 2), pad(16, 4, cleft_mm=0.2), pad(16, 6, cleft_mm=0.2)]
    assert states(history_of("PAD", visits, RULES))[-1] is PairState.CONTACT


def test_a_fused_pair_that_comes_apart_is_kept_and_told_with_the_tissue_that_died():
    history = history_of("PAD", [pad(16, 0), pad(13, 6)], RULES)
    assert states(history) == [PairState.FUSED, PairState.APART]
    assert history.visits[0].setbacks == ()
    told = {one.what: one for one in history.visits[1].setbacks}
    assert set(told) == {"no longer fused", "largest patch shrank", "cover fell"}
    assert told["no longer fused"].fragments == ("F01", "F02")
    assert told["no longer fused"].now == 0.0
    assert told["no longer fused"].reason == "live tissue of F01 and F02 was lost"
    assert told["largest patch shrank"].before == pytest.approx(1.0)
    assert told["largest patch shrank"].now == pytest.approx(0.5, abs=0.01)


def test_a_pair_that_comes_apart_without_losing_tissue_speaks_for_a_wrong_outline():
    history = history_of("PAD", [pad(16, 0), pad(16, 6, cleft_mm=0.7)], RULES)
    (told,) = [one for one in history.visits[1].setbacks if one.what == "no longer fused"]
    assert "one of the two outlines is wrong" in told.reason


def test_a_change_within_the_uncertainty_is_told_as_such():
    history = history_of("PAD", [pad(15.02, 0), pad(14.95, 1)], RULES)
    (told,) = [one for one in history.visits[1].setbacks if one.fragments]
    assert "within the uncertainty of 2030-01-05 and 2030-02-04" in told.reason


def test_growth_is_no_setback():
    history = history_of("PAD", [pad(12, 0), pad(14, 6), pad(16, 12)], RULES)
    assert [seen.setbacks for seen in history.visits] == [(), (), ()]


def test_visits_are_put_in_order_of_time():
    history = history_of("PAD", [pad(14, 6), pad(12, 0)], RULES)
    assert [seen.day.month for seen in history.visits] == [1, 7]


def test_pairs_by_name_are_what_happened_to_each():
    history = history_of("PAD", [pad(12, 0), pad(16, 6)], RULES)
    assert list(history.pairs) == [("F01", "F02")]
    assert [pair.fused for pair in history.pairs["F01", "F02"]] == [False, True]
    assert [pair.touching for pair in history.pairs["F01", "F02"]] == [False, True]


def test_two_visits_a_day_are_refused():
    with pytest.raises(ValueError, match="one a day"):
        PadHistory("PAD", (pad(12, 0), pad(12, 0)))


def test_a_pad_without_tissue_has_no_setbacks_but_its_cover():
    empty = visit(photo_of([MultiPolygon()] * 2, CENTRES, months=3), RULES)
    history = history_of("PAD", [pad(12, 0), empty], RULES)
    assert [one.what for one in history.visits[1].setbacks] == ["cover fell"]
