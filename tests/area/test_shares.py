import numpy as np
import pytest
from shapely import MultiPolygon, Point, box

from fragarea.area.shares import split_by_nearest, tissue_off_plugs

NONE = MultiPolygon()


def test_a_patch_over_two_plugs_is_split_at_the_middle():
    # exact geometry: a 40 x 10 rectangle between plugs at x = 0 and x = 20 is cut at x = 10
    live = MultiPolygon([box(-10, -5, 30, 5)])
    left, right = split_by_nearest(live, NONE, NONE, [(0, 0), (20, 0)])
    assert left.live.area == pytest.approx(200)
    assert right.live.area == pytest.approx(200)
    assert left.touches
    assert right.touches


def test_separate_patches_stay_whole():
    centres = [(0.0, 0.0), (30.0, 0.0), (15.0, 26.0)]
    live = MultiPolygon([Point(c).buffer(8, quad_segs=64) for c in centres])
    shares = split_by_nearest(live, NONE, NONE, centres)
    assert [s.live.area for s in shares] == pytest.approx([p.area for p in live.geoms])
    assert not any(s.touches for s in shares)


def test_shares_add_up_to_the_whole():
    rng = np.random.default_rng(3)
    centres = [tuple(c) for c in rng.uniform(0, 100, (10, 2))]
    live = MultiPolygon([box(0, 0, 100, 100)])
    shares = split_by_nearest(live, NONE, NONE, centres)
    reached = live.intersection(MultiPolygon([Point(c).buffer(40) for c in centres]).buffer(0)).area
    assert sum(s.live.area for s in shares) == pytest.approx(reached, rel=0.01)


def test_one_plug_takes_all_in_reach():
    (share,) = split_by_nearest(MultiPolygon([Point(3, 0).buffer(9)]), NONE, NONE, [(0, 0)])
    assert share.live.area == pytest.approx(Point(3, 0).buffer(9).area)
    assert not share.touches


def test_tissue_far_from_every_plug_is_told():
    live = MultiPolygon([Point(0, 0).buffer(5), Point(80, 0).buffer(5)])
    assert tissue_off_plugs(live, [(0, 0)]) == pytest.approx(Point(0, 0).buffer(5).area)
