import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from scipy.stats import norm
from skimage.measure import find_contours, label, regionprops

from fragarea.sites.records import PlugRim, Window
from fragarea.tissue import Surface, TissueMap, trace_outlines

SIDE, MM_PER_PX = 165, 0.2


def window(rim: PlugRim | None = None, side: int = SIDE) -> Window:
    return Window(np.zeros((side, side, 3), np.uint8), MM_PER_PX, (10.0, 20.0), 0.35, rim)


def signed_px(radius_px: float, middle: tuple[float, float] = (81.3, 79.8)) -> np.ndarray:
    """Distance inside a circle, pixels."""
    y, x = np.mgrid[:SIDE, :SIDE]
    return radius_px - np.hypot(x - middle[0], y - middle[1])


def soft(inside_px: np.ndarray, sigma_px: float = 0.8) -> np.ndarray:
    """An edge blurred by `sigma_px` is the normal distribution function of the distance."""
    return norm.cdf(inside_px / sigma_px).astype(np.float32)


def as_map(live: np.ndarray, labels: np.ndarray | None = None) -> TissueMap:
    if labels is None:
        labels = np.where(live > 0.5, Surface.LIVE, Surface.OTHER).astype(np.uint8)
    return TissueMap(labels, live)


@pytest.mark.parametrize("radius_mm", [2.0, 3.3, 6.0, 9.7, 14.0])
def test_disc_area_is_pi_r_squared(radius_mm):
    # Exact geometry. 0.008 mm of edge, a 25th of a pixel: chords of one pixel cut a little off small discs.
    outlines = trace_outlines(as_map(soft(signed_px(radius_mm / MM_PER_PX))), window())
    assert outlines.live.area == pytest.approx(np.pi * radius_mm**2, abs=0.008 * 2 * np.pi * radius_mm)


def test_outline_lies_where_the_disc_is_in_reference_axes():
    # Exact geometry: middle (81.3, 79.8) px is origin + 0.2 px mm.
    live = trace_outlines(as_map(soft(signed_px(30.0))), window()).live
    assert live.centroid.x == pytest.approx(10.0 + 0.2 * 81.3, abs=0.01)
    assert live.centroid.y == pytest.approx(20.0 + 0.2 * 79.8, abs=0.01)
    away = np.hypot(*(shapely.get_coordinates(live) - [live.centroid.x, live.centroid.y]).T)
    # A tenth of a pixel: bilinear reading of a curved edge.
    assert np.abs(away - 6.0).max() < 0.02


def test_annulus_keeps_its_hole():
    # Exact geometry: pi (40^2 - 15^2) px2.
    live = trace_outlines(as_map(soft(np.minimum(signed_px(40.0), -signed_px(15.0)))), window()).live
    assert len(live.geoms) == 1
    assert len(live.geoms[0].interiors) == 1
    assert live.area == pytest.approx(np.pi * (40.0**2 - 15.0**2) * MM_PER_PX**2, rel=2e-3)


def test_area_is_that_of_scikit_image_contours():
    # Outside check: skimage.measure.find_contours 0.26 (marching squares) on a lobed outline; 2e-3 is 0.03 px.
    y, x = np.mgrid[:SIDE, :SIDE] - 82.0
    field = soft(35 + 6 * np.cos(5 * np.arctan2(y, x)) - np.hypot(x, y))
    (contour,) = find_contours(field, 0.5)
    wanted = shapely.Polygon(contour).area * MM_PER_PX**2
    assert trace_outlines(as_map(field), window()).live.area == pytest.approx(wanted, rel=2e-3)


def test_dead_area_is_that_of_scikit_image_regionprops():
    # Outside check: skimage.measure.regionprops 0.26 counts pixels; 1 % is a seventh of a pixel of edge.
    labels = np.zeros((SIDE, SIDE), np.uint8)
    labels[signed_px(28.0) > 0] = Surface.DEAD
    labels[signed_px(14.0, (130.0, 25.0)) > 0] = Surface.DEAD
    pixels = sorted(region.area for region in regionprops(label(labels == Surface.DEAD)))
    dead = trace_outlines(as_map(np.zeros((SIDE, SIDE), np.float32), labels), window()).dead
    areas = sorted(part.area / MM_PER_PX**2 for part in dead.geoms)
    assert areas == pytest.approx(pixels, rel=0.01)


@pytest.mark.parametrize(
    ("radius_px", "peak", "kept"), [(2.6, 1.0, True), (2.6, 0.8, False), (1.4, 1.0, False), (4.0, 0.8, True)]
)
def test_a_speck_is_kept_only_when_sure(radius_px, peak, kept):
    # 2.6 px is 0.85 mm2, 1.4 px 0.25 mm2, 4 px 2.0 mm2; the rule is 1.5 mm2, or 0.6 mm2 when sure.
    live = soft(signed_px(radius_px), 0.4) * np.float32(peak)
    assert trace_outlines(as_map(live), window()).live.is_empty is not kept


def test_a_pinhole_is_filled():
    live = soft(np.minimum(signed_px(40.0), -signed_px(2.0)), 0.4)
    polygon = trace_outlines(as_map(live), window()).live.geoms[0]
    assert not polygon.interiors


def test_tissue_that_runs_out_of_the_window_is_closed_at_its_edge():
    live = np.zeros((SIDE, SIDE), np.float32)
    live[:, :80] = 1.0
    area = trace_outlines(as_map(live), window()).live.area
    # Exact geometry: half way to the first pixel outside on three sides, half way between pixels 79 and 80.
    assert area == pytest.approx(80 * 165 * MM_PER_PX**2, rel=2e-3)


def test_turning_the_map_turns_the_outline():
    y, x = np.mgrid[:SIDE, :SIDE] - 82.0
    field = soft(30 + 7 * np.cos(3 * np.arctan2(y, x) + 0.3) - np.hypot(x - 3, y))
    areas = [trace_outlines(as_map(np.ascontiguousarray(np.rot90(field, k))), window()).live.area for k in range(4)]
    assert areas == pytest.approx([areas[0]] * 4, rel=1e-4)


def test_nothing_is_traced_in_an_empty_map():
    outlines = trace_outlines(as_map(np.zeros((SIDE, SIDE), np.float32)), window())
    assert outlines.live.is_empty
    assert outlines.bleached.is_empty
    assert outlines.dead.is_empty


def test_tissue_over_the_rim_is_doubted():
    rim = PlugRim((10.0 + 0.2 * 81.3, 20.0 + 0.2 * 79.8), 7.0)
    beyond = trace_outlines(as_map(soft(signed_px(40.0))), window(rim))
    assert [(d.key, d.detail) for d in beyond.doubts] == [("beyond_rim", "by 1.0 mm")]
    assert trace_outlines(as_map(soft(signed_px(35.0))), window(rim)).doubts == ()


def test_map_of_another_size_is_refused():
    with pytest.raises(ValueError, match="same rows and columns"):
        trace_outlines(as_map(np.zeros((20, 20), np.float32)), window())


blobs = st.lists(
    st.tuples(st.floats(5, 55), st.floats(5, 55), st.floats(1, 18), st.sampled_from(list(Surface))),
    min_size=1,
    max_size=6,
)


@settings(max_examples=60, deadline=None)
@given(blobs)
def test_outlines_are_valid_and_bleached_lies_in_live_and_dead_outside(parts):
    y, x = np.mgrid[:60, :60]
    labels = np.zeros((60, 60), np.uint8)
    for cx, cy, radius, surface in parts:
        labels[np.hypot(x - cx, y - cy) < radius] = surface
    live = np.isin(labels, (Surface.LIVE, Surface.BLEACHED)).astype(np.float32)
    outlines = trace_outlines(TissueMap(labels, live), window(side=60))
    for shape in (outlines.live, outlines.bleached, outlines.dead):
        assert shape.is_valid
    assert outlines.bleached.difference(outlines.live).area < 1e-9
    assert outlines.dead.intersection(outlines.live).area < 1e-9
    assert outlines.edge_u_mm > 0
