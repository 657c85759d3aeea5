"""The uncertainty budget of an area."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely import MultiPolygon, Point, Polygon

from fragarea.area import AreaEstimate, budget_lines, estimate_area, shared_covariance_mm4
from fragarea.reference.plane import CameraPose, PhotoScale


def _pose(height_mm: float) -> CameraPose:
    camera = np.array([[2500.0, 0.0, 1000.0], [0.0, 2500.0, 750.0], [0.0, 0.0, 1.0]])
    return CameraPose(camera, np.zeros(5), np.eye(3), np.array([0.0, 0.0, height_mm]))


SCALE = PhotoScale(_pose(500.0), "tags", "frame-280x220", 0.2, 1e-3, 2e-3, 5e-4, 0.02)
EXACT = replace(SCALE, scale_u_rel=0.0, print_u_rel=0.0, lens_u_rel=0.0, camera_height_u_rel=0.0)
SQUARE = MultiPolygon([Polygon([(0, 0), (20, 0), (20, 20), (0, 20)])])


def _term(estimate: AreaEstimate, name: str) -> float:
    return next(term.u_mm2 for term in estimate.terms if term.name == name)


def test_relative_errors_of_length_count_twice() -> None:
    # Exact: dA/A = 2 dL/L.
    estimate = estimate_area(SQUARE, scale=SCALE)
    assert estimate.area_mm2 == 400.0
    assert [_term(estimate, name) for name in ("scale", "print", "lens")] == pytest.approx([0.8, 1.6, 0.4])


def test_height_term_is_the_change_seen_when_the_plane_moves() -> None:
    # Exact geometry: the same pixels on a plane 1 mm higher cover ((D - z - 1) / (D - z))^2 of the area.
    pose = _pose(500.0)
    corners_px = pose.project(np.array(SQUARE.geoms[0].exterior.coords), 4.5)
    high, low = (Polygon(pose.to_plane(corners_px, 4.5 + step)).area for step in (0.01, -0.01))
    estimate = estimate_area(SQUARE, scale=EXACT, plug_top_mm=4.0, edge_height_mm=0.5, edge_height_u_mm=1.0)
    assert _term(estimate, "edge height") == pytest.approx((low - high) / 0.02, rel=1e-6)
    assert _term(estimate, "height") == 0.0
    shared = estimate_area(SQUARE, scale=EXACT, plug_top_mm=4.0, plug_top_u_mm=1.0, edge_height_mm=0.5)
    assert _term(shared, "height") == pytest.approx(_term(estimate, "edge height"), rel=1e-12)


def test_camera_height_matters_only_off_the_reference_plane() -> None:
    # Exact: A = A0 ((D - z) / D)^2, so dA/dD = 2 A z / (D (D - z)); numerically with D 1 % larger.
    scale = replace(EXACT, camera_height_u_rel=0.01)
    assert _term(estimate_area(SQUARE, scale=scale), "height") == 0.0
    z, d = 10.0, 500.0
    on_reference = 400.0 * (d / (d - z)) ** 2
    up, down = (on_reference * ((d * k - z) / (d * k)) ** 2 for k in (1.0001, 0.9999))
    seen = _term(estimate_area(SQUARE, scale=scale, plug_top_mm=z), "height")
    assert seen == pytest.approx((up - down) / 0.0002 * 0.01, rel=1e-5)


def test_outline_term_is_perimeter_times_edge_uncertainty() -> None:
    # Exact geometry: a disc of radius 10 grown by 0.05 mm gains 2 pi 10 x 0.05.
    disc = MultiPolygon([Point(0, 0).buffer(10, quad_segs=200)])
    estimate = estimate_area(disc, scale=EXACT, edge_u_mm=0.05)
    assert _term(estimate, "outline") == pytest.approx(2 * math.pi * 10 * 0.05, rel=1e-4)


def test_terms_combine_in_quadrature_and_expand_by_1_96() -> None:
    # JCGM 100:2008, equation 10; 1.96 covers 95 % of a normal distribution (table G.1).
    estimate = estimate_area(
        SQUARE,
        scale=SCALE,
        plug_top_mm=4,
        plug_top_u_mm=0.5,
        edge_height_mm=0.5,
        edge_height_u_mm=0.3,
        edge_u_mm=0.05,
    )
    assert [term.name for term in estimate.terms] == ["scale", "print", "lens", "height", "edge height", "outline"]
    assert estimate.area_u_mm2 == pytest.approx(math.sqrt(sum(term.u_mm2**2 for term in estimate.terms)))
    assert estimate.expanded_mm2 == pytest.approx(1.96 * estimate.area_u_mm2)


def test_unknown_camera_height_still_weighs_heights() -> None:
    class Flat:
        camera_height_mm = None
        tilt_deg = None

    flat = replace(EXACT, plane=Flat())  # type: ignore[arg-type]
    assert _term(estimate_area(SQUARE, scale=flat, edge_height_u_mm=1.0), "edge height") == pytest.approx(2.0)


def test_missing_fragment_has_area_zero_and_no_uncertainty() -> None:
    estimate = estimate_area(MultiPolygon(), scale=SCALE, edge_u_mm=0.1, edge_height_u_mm=0.3)
    assert (estimate.area_mm2, estimate.area_u_mm2, estimate.expanded_mm2) == (0.0, 0.0, 0.0)
    assert "-" in budget_lines(estimate)[1]


def test_edge_above_the_camera_is_refused() -> None:
    with pytest.raises(ValueError, match="below the camera"):
        estimate_area(SQUARE, scale=SCALE, plug_top_mm=600.0)


def test_negative_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        estimate_area(SQUARE, scale=SCALE, edge_u_mm=-0.1)


def test_ninety_five_per_cent_of_simulated_areas_lie_within_the_expanded_uncertainty() -> None:
    # Monte Carlo over every input (JCGM 101:2008): a disc drawn again with scale, print, lens, heights and edge off
    # by normal errors of the stated size. In 4000 draws a share of 0.95 scatters by 0.0034: three of those.
    rng = np.random.default_rng(7)
    pose_height, radius, plug_top, edge = 500.0, 12.0, 4.0, 0.5
    disc = MultiPolygon([Point(0, 0).buffer(radius, quad_segs=400)])
    estimate = estimate_area(
        disc,
        scale=replace(SCALE, mm_per_px=0.02),
        plug_top_mm=plug_top,
        plug_top_u_mm=0.5,
        edge_height_mm=edge,
        edge_height_u_mm=0.3,
        edge_u_mm=0.05,
    )
    n = 4000
    length = 1 + rng.normal(0, 1e-3, n) + rng.normal(0, 2e-3, n) + rng.normal(0, 5e-4, n)
    height = plug_top + edge + rng.normal(0, 0.5, n) + rng.normal(0, 0.3, n)
    camera = pose_height * (1 + rng.normal(0, 0.02, n))
    on_reference = radius * pose_height / (pose_height - plug_top - edge)
    seen = on_reference * (camera - height) / camera * length + rng.normal(0, 0.05, n)
    inside = np.abs(np.pi * seen**2 - estimate.area_mm2) <= estimate.expanded_mm2
    assert 0.94 < inside.mean() < 0.96


def test_fragments_of_one_photo_share_scale_print_lens_and_plug_height() -> None:
    # Exact: covariance through common errors is the sum of the products of the terms in common.
    one = estimate_area(SQUARE, scale=SCALE, plug_top_u_mm=0.5, edge_height_u_mm=0.3, edge_u_mm=0.05)
    height = 2 * 400 / 500 * 0.5
    assert shared_covariance_mm4(one, one) == pytest.approx(0.8**2 + 1.6**2 + 0.4**2 + height**2)
    assert shared_covariance_mm4(one, one, shared={"print"}) == pytest.approx(1.6**2)


def test_budget_table_names_every_term_once() -> None:
    lines = budget_lines(estimate_area(SQUARE, scale=SCALE, edge_u_mm=0.05))
    assert len(lines) == 9
    assert lines[0].split() == ["area", "400.000", "mm2"]
    assert "u scale" in lines[1]
    assert "0.800 mm2   0.200 %  shared by the photo" in lines[1]
    assert "this fragment's own" in lines[6]
    assert lines[8].startswith("U 95 %")
    assert lines[8].endswith("k = 1.96")
