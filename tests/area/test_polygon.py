"""Areas of outlines against exact geometry and published vectors."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, Polygon

from fragarea.area import polygon_area_mm2

# Exact geometry (integer corners; also by Pick's theorem).
PENTAGON = [(3, 4), (5, 11), (12, 8), (9, 5), (5, 6)]


@pytest.mark.parametrize("corners", [PENTAGON, PENTAGON[::-1], PENTAGON[2:] + PENTAGON[:2], [*PENTAGON, PENTAGON[0]]])
@pytest.mark.parametrize("offset", [0.0, 1e8, -1e8])
def test_pentagon_is_30_in_every_order_and_place(corners: list[tuple[int, int]], offset: float) -> None:
    moved = np.array(corners, dtype=float) + offset
    assert polygon_area_mm2(Polygon(moved)) == pytest.approx(30.0, rel=1e-9)


def test_unit_square_far_from_the_origin_keeps_its_area() -> None:
    # Exact geometry; the naive sum in doubles returns 0.0 here.
    assert polygon_area_mm2(Polygon(np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) + 1e8)) == 1.0


def test_bow_tie_is_refused_rather_than_zero() -> None:
    with pytest.raises(ValueError, match="Self-intersection"):
        polygon_area_mm2(Polygon([(0, 0), (1, 1), (1, 0), (0, 1)]))


def test_what_is_not_finite_is_refused() -> None:
    with np.errstate(invalid="ignore"):
        outline = Polygon([(0, 0), (1, 0), (math.nan, 1)])
    with pytest.raises(ValueError, match="Invalid Coordinate"):
        polygon_area_mm2(outline)


def test_ring_between_radii_10_and_4() -> None:
    # Exact geometry: 84 pi = 263.893783; a 100000-gon misses 7e-10 of it.
    t = np.linspace(0, 2 * np.pi, 100_000, endpoint=False)
    unit = np.column_stack([np.cos(t), np.sin(t)])
    assert polygon_area_mm2(Polygon(10 * unit, [4 * unit])) == pytest.approx(263.893783, abs=1e-6)


@pytest.mark.parametrize(("n", "share"), [(12, 0.954930), (36, 0.994931), (100, 0.999342), (360, 0.999949)])
def test_regular_polygon_share_of_its_circle(n: int, share: float) -> None:
    # Exact geometry: n / (2 pi) sin(2 pi / n).
    t = np.arange(n) * 2 * np.pi / n
    assert polygon_area_mm2(Polygon(np.column_stack([np.cos(t), np.sin(t)]))) / np.pi == pytest.approx(
        share, abs=5e-7
    )


def test_quadrilateral_on_a_card() -> None:
    # Published corners of a quadrilateral mapped by a homography; area 304.202695 mm2 in double precision.
    # The corners are printed to 1e-4 mm, so the area is good to about 1e-4 mm times the perimeter.
    corners = [(16.2467, 5.1972), (39.9082, 5.6126), (38.8125, 18.9956), (17.4210, 18.8236)]
    assert polygon_area_mm2(Polygon(corners)) == pytest.approx(304.202695, abs=4e-3)


def test_empty_outline_has_no_area() -> None:
    assert polygon_area_mm2(MultiPolygon()) == 0.0
    assert polygon_area_mm2(Polygon()) == 0.0


@settings(deadline=None, max_examples=60)
@given(
    radii=st.lists(st.floats(0.5, 50.0), min_size=3, max_size=40),
    x=st.floats(-1e4, 1e4),
    y=st.floats(-1e4, 1e4),
)
def test_star_shaped_polygons_agree_with_the_sum_of_their_triangles(radii: list[float], x: float, y: float) -> None:
    # Exact geometry: two radii r, s with angle t between them span r s sin(t) / 2.
    t = np.arange(len(radii)) * 2 * np.pi / len(radii)
    r = np.array(radii)
    ring = np.column_stack([r * np.cos(t) + x, r * np.sin(t) + y])
    triangles = r * np.roll(r, -1) * np.sin(2 * np.pi / len(r)) / 2
    assert polygon_area_mm2(MultiPolygon([Polygon(ring)])) == pytest.approx(triangles.sum(), rel=1e-7)


def test_parts_and_holes_add_up() -> None:
    # Exact geometry.
    whole = Polygon([(0, 0), (10, 0), (10, 10), (0, 10)], [[(1, 1), (3, 1), (3, 3), (1, 3)]])
    other = Polygon([(20, 0), (21, 0), (20, 1)])
    assert polygon_area_mm2(MultiPolygon([whole, other])) == pytest.approx(96.5, rel=1e-12)
