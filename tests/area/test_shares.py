import numpy as np
import pytest
from shapely import MultiPolygon, Point, box

from fragarea.area.shares import split_among_plugs

NONE = MultiPolygon()
REACH_MM = 12.5


def test_a_patch_over_two_plugs_is_split_at_the_middle():
    # exact geometry: a 40 x 10 rectangle over plugs at x = 0 and x = 20 is cut at x = 10
    live = MultiPolygon([box(-10, -5, 30, 5)])
    (left, right), strays = split_among_plugs(live, NONE, NONE, [(0, 0), (20, 0)], REACH_MM)
    assert left.live.area == pytest.approx(200)
    assert right.live.area == pytest.approx(200)
    assert left.touches
    assert right.touches
    assert strays == ()


def test_separate_patches_stay_whole():
    centres = [(0.0, 0.0), (30.0, 0.0), (15.0, 26.0)]
    live = MultiPolygon([Point(c).buffer(8, quad_segs=64) for c in centres])
    shares, strays = split_among_plugs(live, NONE, NONE, centres, REACH_MM)
    assert [s.live.area for s in shares] == pytest.approx([p.area for p in live.geoms])
    assert not any(s.touches for s in shares)
    assert strays == ()


def test_shares_add_up_to_the_whole():
    rng = np.random.default_rng(3)
    centres = [(float(x), float(y)) for x, y in rng.uniform(0, 100, (10, 2))]
    live = MultiPolygon([box(-5, -5, 105, 105)])
    shares, _ = split_among_plugs(live, NONE, NONE, centres, REACH_MM)
    assert sum(s.live.area for s in shares) == pytest.approx(live.area)


def test_a_patch_that_grows_on_no_plug_is_told_apart():
    loose = Point(80, 0).buffer(5)
    (share,), (stray,) = split_among_plugs(
        MultiPolygon([Point(0, 0).buffer(5), loose]), NONE, NONE, [(0, 0)], REACH_MM
    )
    assert share.live.area == pytest.approx(Point(0, 0).buffer(5).area)
    assert stray.live.area == pytest.approx(loose.area)


def test_bleached_and_dead_follow_their_plug():
    centres = [(0.0, 0.0), (30.0, 0.0)]
    live = MultiPolygon([Point(c).buffer(8) for c in centres])
    bleached = MultiPolygon([Point(30, 0).buffer(3)])
    dead = MultiPolygon([box(-12, -1, -9, 1)])
    (left, right), _ = split_among_plugs(live, bleached, dead, centres, REACH_MM)
    assert left.bleached.area == 0
    assert right.bleached.area == pytest.approx(bleached.area)
    assert left.dead.area == pytest.approx(6)
    assert right.dead.area == 0


def test_skeleton_is_left_where_coral_was_and_bare_cement_elsewhere_is_none():
    # exact geometry: one piece on the plug, one touching the tissue that left it, one beside a stray patch, one alone
    tissue, stray = box(-20, -5, 40, 5), Point(120, 0).buffer(5)
    on_plug, touching = box(2, 6, 8, 9), box(40.5, -5, 45, 5)
    beside_stray, alone = box(125.2, -3, 130, 3), box(60, 40, 70, 50)
    dead = MultiPolygon([on_plug, touching, beside_stray, alone])
    (share,), (patch,) = split_among_plugs(MultiPolygon([tissue, stray]), NONE, dead, [(0, 0)], REACH_MM)
    assert share.dead.area == pytest.approx(on_plug.area + touching.area)
    assert patch.dead.is_empty


def test_no_plugs_leave_every_patch_a_stray():
    shares, strays = split_among_plugs(MultiPolygon([box(0, 0, 1, 1), box(5, 5, 7, 7)]), NONE, NONE, [], REACH_MM)
    assert shares == ()
    assert [s.live.area for s in strays] == pytest.approx([1, 4])


@pytest.mark.parametrize("turn_deg", [0.0, 13.0, 90.0])
@pytest.mark.parametrize("layout", ["ring", "square", "hexagonal"])
def test_plugs_in_a_neat_layout_are_split_evenly(layout, turn_deg):
    # exact geometry: each plug of a regular layout has what lies nearest to it, checked point by point; many of its
    # centres lie on one circle
    rows = np.arange(3)
    layouts = {
        "ring": 25 * np.exp(1j * np.arange(6) * np.pi / 3),
        "square": np.array([complex(30 * x, 30 * y) for y in rows for x in range(4)]),
        "hexagonal": np.array([complex(30 * x + 15 * (y % 2), 30 * y * 3**0.5 / 2) for y in rows for x in range(4)]),
    }
    z = layouts[layout] * np.exp(1j * np.radians(turn_deg))
    centres = [(p.real, p.imag) for p in z]
    live = MultiPolygon([Point(z.mean().real, z.mean().imag).buffer(80)])
    shares, _ = split_among_plugs(live, NONE, NONE, centres, 200.0)
    assert sum(s.live.area for s in shares) == pytest.approx(live.area)
    rng = np.random.default_rng(5)
    points = z.mean() + 75 * np.sqrt(rng.uniform(size=400)) * np.exp(2j * np.pi * rng.uniform(size=400))
    for point in points:
        nearest = int(np.argmin(np.abs(z - point)))
        assert shares[nearest].live.distance(Point(point.real, point.imag)) < 1e-9
