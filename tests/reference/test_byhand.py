import numpy as np
import pytest

from fragarea.errors import SettingsProblem
from fragarea.reference import AffinePlane, compare_scales, scale_from_two_points

SIZE = (1000, 800)


def test_two_points_give_the_scale():
    scale = scale_from_two_points((100, 100), (400, 500), 50.0, 0.0, image_size=SIZE)
    assert scale.mm_per_px == pytest.approx(0.1)  # 500 pixels, 3-4-5 triangle
    square = scale.plane.to_plane([(0, 0), (10, 0), (10, 10), (0, 10)], 0.0)
    assert square == pytest.approx(np.array([(0, 0), (1, 0), (1, 1), (0, 1)], dtype=float))
    assert scale.method == "two points"
    assert [doubt.key for doubt in scale.doubts] == ["scale_by_hand"]
    assert scale.plane.camera_height_mm is None
    assert scale.plane.tilt_deg is None


def test_uncertainty_of_two_points_has_the_length_and_the_clicks():
    # JCGM 100:2008, equation 10: 0.5 mm of 50 mm, and two clicks of 1 pixel over 500, the rest alike.
    exact = scale_from_two_points((100, 100), (400, 500), 50.0, 0.0, image_size=SIZE)
    read = scale_from_two_points((100, 100), (400, 500), 50.0, 0.5, image_size=SIZE)
    near = scale_from_two_points((100, 100), (130, 140), 5.0, 0.0, image_size=SIZE)
    assert read.scale_u_rel**2 - exact.scale_u_rel**2 == pytest.approx(0.01**2)
    assert near.scale_u_rel**2 - exact.scale_u_rel**2 == pytest.approx(2 / 50**2 - 2 / 500**2)


@pytest.mark.parametrize(
    ("points", "length_mm", "words"),
    [
        (((1, 1), (5, 5)), 10.0, "at least 20 pixels apart"),
        (((1, 1), (500, 5)), 0.0, "length in mm positive"),
        (((1, 1), (500, 5)), float("nan"), "length in mm positive"),
        (((1, 1), (1200, 5)), 10.0, r"point \(1200, 5\) lies outside the photo of 1000 x 800 pixels"),
        (((1, 1), (float("nan"), 5)), 10.0, "lies outside the photo"),
    ],
)
def test_two_points_that_give_no_scale_are_refused(points, length_mm, words):
    with pytest.raises(SettingsProblem, match=words):
        scale_from_two_points(*points, length_mm, 0.5, image_size=SIZE)


def test_a_far_plane_and_back_is_the_identity():
    plane = AffinePlane(np.array([[4.0, 0.3], [-0.2, 3.9]]), np.array([100.0, 50.0]), height_mm=400.0)
    points = np.random.default_rng(0).uniform(-50, 50, (20, 2))
    assert plane.to_plane(plane.project(points, 3.0), 3.0) == pytest.approx(points)


def test_two_scales_that_agree_raise_no_doubt_and_others_do():
    # 1.645 and 2.576 standard deviations bound 90 % and 99 % of a normal distribution (JCGM 100:2008, table G.1).
    names = ("print", "rims")
    assert compare_scales(0.4, 0.003, 0.41, 0.003, names=names) is None  # 2.36 standard deviations
    doubt = compare_scales(0.4, 0.003, 0.412, 0.003, names=names)  # 2.83
    assert doubt is not None
    assert doubt.key == "scale_disagrees"
    assert doubt.detail == "rims +3.0 % against print"
