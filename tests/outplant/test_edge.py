"""A disc on a plug: plain geometry, held against Shapely and against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import Point

from fragarea.outplant.edge import covered, free_radius, offset_at, rim_share


@pytest.mark.parametrize(("radius", "offset"), [(0.5, 0.2), (0.9, 0.2), (1.0, 0.1), (1.1, 0.3), (1.5, 0.4)])
def test_covered_area_and_rim_are_those_of_polygons(radius: float, offset: float) -> None:
    plug = Point(0, 0).buffer(1, quad_segs=2000)
    tissue = Point(offset, 0).buffer(radius, quad_segs=2000).intersection(plug)
    # polygons of 8,000 sides fall short of a disc by 1e-7 (2 pi^2 / 3 n^2)
    assert float(covered(np.array(radius), offset)) == pytest.approx(tissue.area / math.pi, abs=1e-6)
    at_rim = plug.exterior.intersection(tissue.buffer(1e-7)).length / tissue.exterior.length
    assert float(rim_share(np.array(radius), offset)) == pytest.approx(at_rim, abs=1e-3)


def test_unit_circles_one_apart_have_the_lens_of_the_textbooks() -> None:
    # two unit circles whose middles are 1 apart: 2 pi / 3 - sqrt(3) / 2 = 1.2283697 (plain geometry)
    assert float(covered(np.array(1.0), 1.0)) * math.pi == pytest.approx(
        2 * math.pi / 3 - math.sqrt(3) / 2, rel=1e-12
    )


def test_free_radius_undoes_covering() -> None:
    radius, offset = np.meshgrid(np.linspace(0.1, 1.2, 12), [0.0, 0.06, 0.2])
    cover = covered(radius, offset)
    below = cover < 0.9999
    assert free_radius(cover, offset)[below] == pytest.approx(radius[below], abs=1e-6)


def test_what_is_inside_the_plug_is_not_held_back() -> None:
    cover = np.array([0.0, 0.25, 0.81])
    assert free_radius(cover, 0.06) == pytest.approx(np.sqrt(cover), abs=1e-9)


def test_no_plug_holds_more_than_its_area() -> None:
    assert np.isinf(free_radius(np.array([1.0, 1.2]), 0.06)).all()


def test_offset_is_told_by_the_share_at_the_rim() -> None:
    cover, share = covered(np.array([0.9, 1.0]), 0.24), rim_share(np.array([0.9, 1.0]), 0.24)
    assert offset_at(cover, share) == pytest.approx([0.24, 0.24], abs=1e-9)
