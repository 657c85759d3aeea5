"""Neighbours in layouts of which they are known."""

import numpy as np
import pytest

from fragarea.fusion import layouts_of, neighbours, register
from tests.fusion.pads import hexagonal


def test_ten_plugs_in_rows_of_three_four_three_have_nineteen_neighbour_pairs():
    # exact geometry: E = 3n - 3 - h for a triangulation of n points with h of them on the hull, 30 - 3 - 8
    pairs, distances, spacing = neighbours(hexagonal(30.0), 1.35)
    assert len(pairs) == 19
    assert distances == pytest.approx([30.0] * 19)
    assert spacing == pytest.approx(30.0)


@pytest.mark.parametrize("seed", range(5))
def test_diagonals_of_a_square_layout_are_no_neighbours(seed):
    rng = np.random.default_rng(seed)
    centres = np.array([(30.0 * x, 30.0 * y) for y in range(3) for x in range(4)]) + rng.normal(0, 0.3, (12, 2))
    pairs, _, _ = neighbours(centres, 1.35)
    # exact geometry: 3 rows of 3 and 4 columns of 2 steps
    assert len(pairs) == 17
    assert all(b - a in (1, 4) for a, b in pairs)


def test_a_larger_reach_brings_diagonals_in():
    centres = [(30.0 * x, 30.0 * y) for y in range(2) for x in range(2)]
    assert len(neighbours(centres, 1.35)[0]) == 4
    assert len(neighbours(centres, 1.5)[0]) == 5


def test_long_edges_along_the_hull_are_dropped():
    # five plugs on an arc: the triangulation joins the first with the last across open ground
    angle = np.radians(np.linspace(0, 120, 5))
    pairs, _, _ = neighbours(np.column_stack([80 * np.cos(angle), 80 * np.sin(angle)]), 1.35)
    assert pairs == [(0, 1), (1, 2), (2, 3), (3, 4)]


def test_plugs_on_a_line_are_neighbours_of_the_next():
    assert neighbours([(0, 0), (60, 0), (30, 0)], 1.35)[0] == [(0, 2), (1, 2)]


@pytest.mark.parametrize(("count", "pairs"), [(0, 0), (1, 0), (2, 1)])
def test_few_plugs_have_few_neighbours(count, pairs):
    assert len(neighbours([(0.0, 0.0), (30.0, 0.0)][:count], 1.35)[0]) == pairs


def test_neighbours_stay_the_same_however_the_frame_lies_and_plugs_are_misread():
    rng = np.random.default_rng(3)
    base = {
        f"F{n}": np.array(centre)
        for n, centre in enumerate([(30.0 * x, 30.0 * y) for y in range(3) for x in range(3)])
    }
    visits = []
    for _ in range(6):
        angle = rng.uniform(0, 2 * np.pi)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        shift = rng.uniform(-50, 50, 2)
        visits.append({name: tuple(turn @ centre + shift + rng.normal(0, 0.2, 2)) for name, centre in base.items()})
    layouts = layouts_of(visits, 1.6)  # far enough to let diagonals in
    assert len({layout.pairs for layout in layouts}) == 1
    assert len(layouts[0].pairs) == 16


def test_later_visits_change_nothing_once_places_are_settled():
    visits = [{"A": (0.0, 0.0), "B": (30.0, 0.0)}] * 2 + [{"A": (0.0, 0.0), "B": (33.0, 0.0)}] * 3
    assert layouts_of(visits, 1.35, settled=2)[0].distances_mm == pytest.approx([30.0])
    assert layouts_of(visits, 1.35)[0].distances_mm != pytest.approx([30.0])


def test_a_fragment_that_joins_later_is_a_neighbour_from_then_on():
    first = {"A": (0.0, 0.0), "B": (30.0, 0.0)}
    before, after = layouts_of([first, {**first, "C": (15.0, 26.0)}], 1.35)
    assert (before.pairs, after.pairs) == (((0, 1),), ((0, 1), (0, 2), (1, 2)))


def test_registration_finds_turn_and_shift():
    plugs = {name: (float(x), float(y)) for name, (x, y) in zip("ABCDEFGHIJ", hexagonal(30.0), strict=True)}
    angle = np.radians(137.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    moved = {name: tuple(turn @ point + (12.0, -7.0)) for name, point in plugs.items() if name != "C"}
    motion = register(plugs, moved)
    assert motion.turn_deg == pytest.approx(137.0)
    assert motion.shift_mm == pytest.approx((12.0, -7.0))
    assert motion.rms_mm == pytest.approx(0.0, abs=1e-9)
    # the plug that was not seen is placed too
    assert motion.points([plugs["C"]])[0] == pytest.approx(turn @ plugs["C"] + (12.0, -7.0))


def test_registration_neither_stretches_nor_mirrors():
    square = {"A": (0.0, 0.0), "B": (10.0, 0.0), "C": (10.0, 10.0), "D": (0.0, 10.0)}
    mirrored = {"A": (0.0, 0.0), "B": (-10.0, 0.0), "C": (-10.0, 10.0), "D": (0.0, 10.0)}
    larger = {name: (2 * x, 2 * y) for name, (x, y) in square.items()}
    assert register(square, mirrored).rms_mm > 4
    points = register(square, larger).points(list(square.values()))
    assert np.linalg.norm(points[1] - points[0]) == pytest.approx(10.0)


def test_one_plug_in_common_gives_a_shift_and_none_gives_nothing():
    assert register({"A": (1.0, 2.0)}, {"A": (4.0, 6.0)}).shift_mm == pytest.approx((3.0, 4.0))
    assert register({"A": (1.0, 2.0)}, {"B": (4.0, 6.0)}).shift_mm == (0.0, 0.0)


def test_a_misread_plug_moves_no_other():
    plugs = {name: (float(x), float(y)) for name, (x, y) in zip("ABCDEFGHIJ", hexagonal(30.0), strict=True)}
    rng = np.random.default_rng(4)
    seen = {name: tuple(np.add(point, (5.0, 3.0)) + rng.normal(0, 0.1, 2)) for name, point in plugs.items()}
    seen["D"] = (seen["D"][0] + 9.0, seen["D"][1] - 4.0)
    motion = register(plugs, seen)
    # 0.1 mm of nine plugs: their middle is known to 0.03 mm, four times that allowed
    assert motion.shift_mm == pytest.approx((5.0, 3.0), abs=0.2)
    assert abs(motion.turn_deg) < 0.3
    assert motion.rms_mm < 0.3
