import numpy as np
import pytest

from fragarea.sites.pads import place_labels, reading_order

# Ten places of a pad, three, four and three in a row, none alike after a turn.
PLACES = np.array([(0, 0), (31, 0), (60, 1), (-15, 27), (14, 28), (46, 27), (75, 26), (2, 55), (30, 54), (66, 55.0)])


def moved(points, turn_deg, shift):
    turn = np.radians(turn_deg)
    return points @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + shift


def test_reading_order_goes_row_by_row():
    shuffled = PLACES[[6, 2, 9, 0, 4, 1, 8, 5, 7, 3]]
    assert shuffled[reading_order(shuffled, 25.0)].tolist() == PLACES.tolist()
    assert reading_order(np.zeros((0, 2)), 25.0) == []


@pytest.mark.parametrize("turn_deg", [0.0, 12.0, -90.0, 178.0])
def test_described_places_are_laid_over_the_plugs_found(turn_deg):
    truth = moved(PLACES, turn_deg, (90.0, 60.0))
    seen = truth[[0, 2, 3, 5, 8, 9]] + np.random.default_rng(4).uniform(-0.5, 0.5, (6, 2))
    middles, partners, unsure = place_labels(PLACES, seen, 25.0)
    # exact geometry; six middles off by up to 0.5 mm fix the rest to better than 1 mm
    assert np.abs(middles - truth).max() < 1.0
    assert partners.tolist() == [0, -1, 1, 2, -1, 3, -1, -1, 4, 5]
    assert unsure is None


def test_false_disc_changes_nothing():
    truth = moved(PLACES, 12.0, (90.0, 60.0))
    seen = np.vstack([truth[[0, 2, 3, 5, 8]], (20.0, 20.0)])
    middles, partners, _ = place_labels(PLACES, seen, 25.0)
    assert np.abs(middles - truth).max() < 1e-6
    assert 5 not in partners


def test_places_that_fit_in_two_ways_are_doubted():
    square = np.array([(0, 0), (30, 0), (30, 30), (0, 30.0)])
    middles, _, unsure = place_labels(square, square + 50.0, 25.0)
    assert middles == pytest.approx(square + 50.0)
    assert unsure is not None
    assert unsure.key == "pad_turn_assumed"  # not turned against how it was described
    assert "more than one way" in unsure.detail


def test_overgrown_pad_takes_the_places_as_they_are_written():
    middles, partners, unsure = place_labels(PLACES, np.zeros((0, 2)), 25.0)
    assert middles.tolist() == PLACES.tolist()
    assert (partners == -1).all()
    assert unsure is not None
    assert "0 of 10" in unsure.detail


def test_pad_laid_the_other_way_round_is_doubted():
    places = np.array(
        [(0, 0), (30, 0), (60, 0), (10, 25), (40, 25), (70, 25.0)]
    )  # the same when turned by 180 degrees
    turned = (places - places.mean(axis=0)) @ np.diag([-1.0, -1.0]) + (100.0, 80.0)
    shifted, _, doubt = place_labels(places, turned, 25.0)
    assert doubt is not None
    assert doubt.key == "pad_turn_assumed"  # nothing tells, so the places are named as if it lay as described
    assert np.sort(shifted[:, 0]) == pytest.approx(np.sort(turned[:, 0]))
