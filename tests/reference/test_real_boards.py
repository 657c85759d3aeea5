"""Real photographs of calibration boards; nominal sizes, never measured, so only ratios of areas are checked."""

import cv2
import numpy as np
import pytest

from fragarea.photo.records import CameraInfo
from fragarea.reference import fit_lens
from fragarea.reference.lens import find_board
from fragarea.reference.pose import FOCAL_GUESS, FOCAL_U_UNKNOWN, GROWTH_U, K1_U, K2_U, PoseProblem, fit_pose
from tests.reference.shared import shared

SQUARE_MM = 25.0
SIZE = (640, 480)


def boards(names: list[int]) -> list[tuple[str, np.ndarray]]:
    folder = shared("photos", "real", "calibration_boards")
    return [(f"left{n:02d}.jpg", cv2.imread(str(folder / f"left{n:02d}.jpg"), cv2.IMREAD_GRAYSCALE)) for n in names]


ODD, EVEN = [1, 3, 5, 7, 9, 11, 13], [2, 4, 6, 8, 12, 14]


def squares(grid: np.ndarray) -> np.ndarray:
    """Corners ``(rows - 1, columns - 1, 4, 2)`` of the squares of a grid of points."""
    return np.stack([grid[:-1, :-1], grid[:-1, 1:], grid[1:, 1:], grid[1:, :-1]], axis=2)


def areas(quads: np.ndarray) -> np.ndarray:
    x, y = quads[..., 0], quads[..., 1]
    return 0.5 * np.abs((x * np.roll(y, -1, -1) - y * np.roll(x, -1, -1)).sum(axis=-1)).ravel()


def board_mm() -> np.ndarray:
    return np.mgrid[:9, :6].T.astype(float) * SQUARE_MM


def flat_areas(points_px: np.ndarray) -> np.ndarray:
    """Areas of the squares on the plane that one homography gives."""
    to_mm, _ = cv2.findHomography(points_px.reshape(-1, 2), board_mm().reshape(-1, 2))
    flat = cv2.perspectiveTransform(points_px.reshape(1, -1, 2), to_mm)[0]
    return areas(squares(flat.reshape(6, 9, 2)))


@pytest.mark.parametrize(("fitted_on", "tested_on"), [(ODD, EVEN), (EVEN, ODD)])
def test_a_lens_fitted_on_some_photos_makes_the_squares_of_the_others_equal(fitted_on, tested_on):
    # Without correction the squares of a photo scatter by 2.3 to 4.5 %, 565 to 659 mm2 (README of the photos); with
    # it we measured 0.3 to 0.5 %, 615 to 632 mm2. Corners good to 0.1 px on squares of 30 px leave about 0.4 %.
    profile = fit_lens(boards(fitted_on), pattern="chess", corners=(9, 6), square_mm=SQUARE_MM, name="left").profile
    assert profile.distortion[0] == pytest.approx(-0.27, abs=0.03)  # left_intrinsics.yml: -0.266
    assert profile.focal * 640 == pytest.approx(535.9, rel=0.01)  # left_intrinsics.yml
    matrix, bent = profile.matrix(*SIZE), np.array(profile.distortion)
    for _, photo in boards(tested_on):
        points = find_board(photo, "chess", (9, 6)).astype(float)
        straight = cv2.undistortPoints(points.reshape(-1, 1, 2), matrix, bent, P=matrix)
        raw, corrected = flat_areas(points), flat_areas(straight)
        assert raw.std() / raw.mean() > 0.02
        assert corrected.std() / corrected.mean() < 0.006
        assert corrected.mean() == pytest.approx(SQUARE_MM**2, rel=0.002)


@pytest.mark.parametrize("number", sorted(ODD + EVEN))
def test_a_radial_term_fitted_to_half_the_squares_makes_the_other_half_equal(number):
    # As above, from one photo alone and with nothing known of the camera: we measured 0.4 to 0.6 %.
    ((_, photo),) = boards([number])
    seen = squares(find_board(photo, "chess", (9, 6)).reshape(6, 9, 2).astype(float)).reshape(-1, 4, 2)
    true = squares(board_mm()).reshape(-1, 4, 2)
    fitted = (np.indices((5, 8)).sum(axis=0) % 2 == 0).ravel()
    problem = PoseProblem(
        true[fitted],
        seen[fitted],
        np.array([(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2]),
        np.array([np.log(FOCAL_GUESS * SIZE[0]), 0.0, 0.0, 0.0]),
        np.array([FOCAL_U_UNKNOWN, K1_U, K2_U, GROWTH_U]),
    )
    fit = fit_pose(problem)
    found = areas(problem.pose(fit.values).to_plane(seen[~fitted].reshape(-1, 2), 0.0).reshape(-1, 4, 2))
    assert found.std() / found.mean() < 0.008
    assert found.mean() == pytest.approx(SQUARE_MM**2, rel=0.004)


def test_squares_of_a_steeply_tilted_board_have_the_ratio_of_their_areas():
    # ChArUco board of 5 x 7 squares of nominally 40 mm, old pattern, dictionary 6x6_250; all 24 corners lie on a
    # plane to 0.18 mm rms (README of the photos), which is 0.9 % of a square's area.
    photo = cv2.imread(str(shared("photos", "real", "calibration_boards", "choriginal.jpg")), cv2.IMREAD_GRAYSCALE)
    board = cv2.aruco.CharucoBoard((5, 7), 40.0, 20.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250))
    board.setLegacyPattern(True)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(photo)
    assert len(ids) == 24
    grid = corners.reshape(-1, 2)[np.argsort(ids.ravel())].reshape(6, 4, 2).astype(float)
    seen = squares(grid).reshape(-1, 4, 2)
    true = squares(np.mgrid[:4, :6].T.astype(float) * 40).reshape(-1, 4, 2)
    near = np.arange(len(seen)) < 9  # the scale is fixed on three rows and the other two are foretold
    size = (photo.shape[1], photo.shape[0])
    problem = PoseProblem(
        true[near],
        seen[near],
        np.array([(size[0] - 1) / 2, (size[1] - 1) / 2]),
        np.array([np.log(FOCAL_GUESS * size[0]), 0.0, 0.0, 0.0]),
        np.array([FOCAL_U_UNKNOWN, K1_U, K2_U, GROWTH_U]),
    )
    pose = problem.pose(fit_pose(problem).values)
    assert pose.tilt_deg > 25
    found = areas(pose.to_plane(seen[~near].reshape(-1, 2), 0.0).reshape(-1, 4, 2))
    assert found.mean() == pytest.approx(1600, rel=0.02)


def test_photos_without_the_board_are_left_out_with_the_reason():
    photos = [*boards([1, 2, 3, 4, 5]), ("wall.jpg", np.full((480, 640), 90, np.uint8))]
    photos.append(("other.jpg", np.zeros((100, 100), np.uint8)))
    fit = fit_lens(photos, pattern="chess", corners=(9, 6), square_mm=25.0, name="left", model="cam")
    assert [name for name, _ in fit.used] == [f"left{n:02d}.jpg" for n in range(1, 6)]
    assert dict(fit.left_out) == {
        "wall.jpg": "the board with 9 x 6 points was not found whole",
        "other.jpg": "its size 100 x 100 differs from the first photo's",
    }
    assert all(rms < 0.5 for _, rms in fit.used)
    assert "board points reach" in fit.verdict or "photos are few" in fit.verdict
    assert fit.profile.fits(1280, 960, CameraInfo(model="cam"))
    assert not fit.profile.fits(1280, 960, CameraInfo(model="another"))
    assert not fit.profile.fits(1280, 720)
