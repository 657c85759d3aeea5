import cv2
import numpy as np
import pytest

from fragarea.reference.plane import CameraPose

K = np.array([[2479.17, 0, 1274.5], [0, 2479.17, 955.5], [0, 0, 1.0]])


def pose(tilt_deg: float = 12.0) -> CameraPose:
    rotation, _ = cv2.Rodrigues(np.radians([tilt_deg, -5.0, 40.0]))
    return CameraPose(K, np.array([-0.08, 0.02, 0.0, 0.0, 0.0]), rotation, np.array([-110.0, -90.0, 420.0]))


@pytest.mark.parametrize("height_mm", [0.0, 0.5, 4.35])
def test_plane_to_pixels_and_back_is_the_identity(height_mm):
    # The forward way is OpenCV's own projectPoints (outside check); the way back must undo it.
    points = np.random.default_rng(1).uniform([0, 0], [250, 190], (200, 2))
    camera = pose()
    assert camera.to_plane(camera.project(points, height_mm), height_mm) == pytest.approx(points, abs=1e-6)


def test_no_points_give_no_points():
    for empty in ([], np.zeros((0, 2))):
        assert pose().project(empty, 1.0).shape == (0, 2)
        assert pose().to_plane(empty, 1.0).shape == (0, 2)


def test_height_above_plane_magnifies_as_d_over_d_minus_z():
    # Exact geometry (similar triangles): D / (D - z) in length; 3 mm at 400 mm is +1.5 % of area.
    camera = CameraPose(K, np.zeros(5), np.eye(3), np.array([0.0, 0.0, 400.0]))
    low = camera.project([(0, 0), (10, 0)], 0.0)
    high = camera.project([(0, 0), (10, 0)], 3.0)
    ratio = np.hypot(*(high[1] - high[0])) / np.hypot(*(low[1] - low[0]))
    assert ratio == pytest.approx(400 / 397, rel=1e-12)
    assert ratio**2 - 1 == pytest.approx(0.0152, abs=1e-4)
