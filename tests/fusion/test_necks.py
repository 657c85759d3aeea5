"""Necks of drawn shapes whose narrowest passage follows from geometry."""

import math

import numpy as np
import pytest
import shapely
from shapely import box

from fragarea.fusion.edges import edges_of
from fragarea.fusion.necks import find_necks
from tests.fusion.pads import SEGMENTS, disc, split


def necks(live, centres, pairs):
    shares = split(live, centres)
    return find_necks(shares, edges_of(shares), centres, pairs)


def chord(r1, r2, apart):
    # exact geometry: common chord of two circles
    x = (apart**2 + r1**2 - r2**2) / (2 * apart)
    return 2 * math.sqrt(r1**2 - x**2)


@pytest.mark.parametrize(
    ("r1", "r2", "apart"), [(10, 10, 15), (10, 10, 19.9), (12, 9, 18), (14, 14, 27.99), (12, 12, 23.999)]
)
def test_neck_of_two_overlapping_discs_is_their_common_chord(r1, r2, apart):
    centres = [(0.0, 0.0), (apart, 0.0)]
    (neck,) = necks(shapely.union(disc(centres[0], r1), disc(centres[1], r2)), centres, [(0, 1)]).values()
    # the circles are drawn with 1024 corners; their sides lie within the circle by at most this factor
    inner = math.cos(math.pi / (4 * SEGMENTS))
    assert chord(inner * r1, inner * r2, apart) <= neck.width_mm <= chord(r1, r2, apart)


@pytest.mark.parametrize("turn_deg", [0, 31, 90])
@pytest.mark.parametrize("width_mm", [0.4, 1.0, 3.0])
def test_neck_of_a_channel_is_its_width(width_mm, turn_deg):
    channel = box(0, -width_mm / 2, 30, width_mm / 2)
    live = shapely.union_all([disc((0, 0), 11), disc((30, 0), 9), channel])
    live = shapely.transform(live, lambda p: p @ turned(turn_deg))
    centres = [tuple(point) for point in np.array([(0.0, 0.0), (30.0, 0.0)]) @ turned(turn_deg)]
    (neck,) = necks(live, centres, [(0, 1)]).values()
    assert neck.width_mm == pytest.approx(width_mm, rel=1e-3)


def turned(deg):
    c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
    return np.array([[c, s], [-s, c]])


def test_neck_is_the_narrowest_place_on_the_way_and_not_where_the_patch_was_cut():
    # a waist of 2 mm within the second fragment, far from the line half way between the plugs
    live = shapely.union_all([disc((0, 0), 16), disc((30, 0), 9), box(10, -6, 20, 6), box(18, -1, 24, 1)])
    (neck,) = necks(live, [(0.0, 0.0), (30.0, 0.0)], [(0, 1)]).values()
    assert neck.width_mm == pytest.approx(2.0, rel=1e-3)
    assert all(20 <= x <= 22 for x, _ in neck.ends_mm)


def test_the_wider_of_two_passages_is_the_neck():
    bars = [box(0, 6, 30, 7.5), box(0, -9, 30, -6)]
    live = shapely.union_all([disc((0, 0), 11), disc((30, 0), 11), *bars])
    (neck,) = necks(live, [(0.0, 0.0), (30.0, 0.0)], [(0, 1)]).values()
    assert neck.width_mm == pytest.approx(3.0, rel=1e-3)


def test_an_annulus_joins_each_plug_with_the_next_only():
    # exact geometry: the passage through a ring of radii 20 and 30 mm is 10 mm wide everywhere
    angles = np.arange(6) * np.pi / 3
    centres = [(25 * math.cos(a), 25 * math.sin(a)) for a in angles]
    ring = shapely.difference(disc((0, 0), 30), disc((0, 0), 20))
    pairs = [(a, b) for a in range(6) for b in range(a + 1, 6)]
    found = necks(ring, centres, pairs)
    assert sorted(found) == [(0, 1), (0, 5), (1, 2), (2, 3), (3, 4), (4, 5)]
    assert [neck.width_mm for neck in found.values()] == pytest.approx([10.0] * 6, abs=0.01)


def test_fragments_joined_by_a_third_alone_have_no_neck():
    centres = [(0.0, 0.0), (30.0, 0.0), (15.0, 26.0)]
    live = shapely.union_all([disc(centres[0], 14), disc(centres[1], 14), disc(centres[2], 17)])
    assert sorted(necks(live, centres, [(0, 1), (0, 2), (1, 2)])) == [(0, 2), (1, 2)]


def test_a_plug_with_a_dead_middle_is_reached_through_its_ring():
    live = shapely.difference(shapely.union(disc((0, 0), 12), disc((20, 0), 12)), disc((0, 0), 6))
    (neck,) = necks(live, [(0.0, 0.0), (20.0, 0.0)], [(0, 1)]).values()
    # exact geometry: the ring around the hole is 6 mm wide, the chord to the neighbour 13.27 mm
    assert 5.99 <= neck.width_mm <= chord(12, 12, 20)


def test_no_tissue_has_no_neck():
    shares = [shapely.MultiPolygon(), shapely.MultiPolygon()]
    assert find_necks(shares, edges_of(shares), [(0.0, 0.0), (9.0, 0.0)], [(0, 1)]) == {}
