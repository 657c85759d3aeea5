"""Camera pose from tag corners: least squares over all of them, tags that do not fit left out, covariance kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.photo.records import CameraInfo
from fragarea.reference.layout import TagLayout
from fragarea.reference.lens import LensProfile
from fragarea.reference.plane import CameraPose, FloatArray
from fragarea.reference.tags import TagSighting

Pair = tuple[TagSighting, TagLayout]

# What is known before the photo speaks. EXIF focal lengths are rounded, and makers count along the width or along
# the diagonal, 4 % apart on 4:3 sensors; lenses bend straight lines by some percent at the corners of the photo
# (common practice, no source).
FOCAL_U_EXIF, FOCAL_U_UNKNOWN = 0.03, 0.5
FOCAL_GUESS = 28 / 36  # of the longer side: the usual main lens of a phone (common practice, no source)
K1_U, K2_U = 0.05, 0.02
# Ink that spreads, sharpening and blur make all tags of a photo look a little smaller or larger than drawn.
GROWTH_U = 0.008
# A profile holds for the focus at which it was made; focusing changes the focal length a little.
PROFILE_FOCAL_U, PROFILE_K_U = 2e-3, 1e-3

FIRST_CORNER_U_PX = 0.15
# Corners cannot be known better: paper is not quite flat, prints not quite to scale in both directions. In the fit
# itself corners may speak louder than that against the priors.
CORNER_FLOOR_PX, CORNER_FLOOR_IN_FIT_PX = 0.05, 0.005
# A tag is left out when its corners miss by this many times what the others miss by, and by this many pixels.
OUTLIER_TIMES, OUTLIER_PX = 4.0, 0.5
# From this residual on, fits without some of the tags are tried; one that misses by less than this share of it is
# kept. So many tags are tried in turn.
SUSPECT_PX, RELIEF, MOST_TRIALS = 0.3, 0.5, 4
# Tags that one homography explains to this share of their side may belong to one plane behind one lens.
ROUGH_SHARE = 0.15
# Of the two poses that a plane allows, the second is tried when it fits worse by less than this.
AMBIGUOUS_TIMES = 3.0
MOST_STEPS = 40
# A step that lowers the cost, in units of variance, by less than this is the last.
LEAST_GAIN = 1e-6

LOG_FOCAL, K1, K2, GROWTH = range(4)
TURN, SHIFT = slice(4, 7), slice(7, 10)
PRIORS, PARAMETERS = 4, 10


@dataclass(frozen=True, eq=False)
class PoseProblem:
    """Corners to fit, and what is known beforehand.

    Attributes
    ----------
    board_mm, seen_px : ndarray, shape (tags, 4, 2)
        Corners on the reference, in true mm, and in the photo.
    middle_px : ndarray, shape (2,)
        Principal point.
    prior, prior_u : ndarray, shape (4,)
        Logarithm of the focal length in pixels, k1, k2, and growth of the tags about their middles.
    fixed : (p1, p2, k3)
        Of a lens profile.
    from_profile : bool
    """

    board_mm: FloatArray
    seen_px: FloatArray
    middle_px: FloatArray
    prior: FloatArray
    prior_u: FloatArray
    fixed: tuple[float, float, float] = (0.0, 0.0, 0.0)
    from_profile: bool = False

    @cached_property
    def board(self) -> FloatArray:
        """Corners ``(4 * tags, 2)`` on the reference."""
        return self.board_mm.reshape(-1, 2)

    @cached_property
    def from_middles(self) -> FloatArray:
        """Corners ``(4 * tags, 2)`` from the middles of their tags."""
        return (self.board_mm - self.board_mm.mean(axis=1, keepdims=True)).reshape(-1, 2)

    def only(self, keep: npt.NDArray[np.intp]) -> PoseProblem:
        """The same with some of the tags."""
        return replace(self, board_mm=self.board_mm[keep], seen_px=self.seen_px[keep])

    def camera(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Camera matrix and distortion of a parameter vector."""
        focal = float(np.exp(values[LOG_FOCAL]))
        matrix = np.array([[focal, 0, self.middle_px[0]], [0, focal, self.middle_px[1]], [0, 0, 1.0]])
        return matrix, np.array([values[K1], values[K2], *self.fixed])

    def pose(self, values: FloatArray) -> CameraPose:
        """The camera of a parameter vector."""
        matrix, distortion = self.camera(values)
        rotation, _ = cv2.Rodrigues(values[TURN])
        return CameraPose(matrix, distortion, np.asarray(rotation, dtype=float), values[SHIFT].copy())

    def misses_px(self, values: FloatArray) -> FloatArray:
        """Root mean square residual of each tag's corners, one coordinate."""
        residual = _linearised(self, values)[0].reshape(self.seen_px.shape)
        return np.asarray(np.sqrt(np.mean(residual**2, axis=(1, 2))))


@dataclass(frozen=True, eq=False)
class PoseFit:
    """A solved camera.

    Attributes
    ----------
    problem : PoseProblem
        Of the tags that were used.
    values : ndarray, shape (10,)
        Logarithm of the focal length, k1, k2, growth, rotation vector, translation.
    covariance : ndarray, shape (10, 10)
    rms_px : float
        Residual of one coordinate.
    used : tuple of int
        Which of the pairs.
    """

    problem: PoseProblem
    values: FloatArray
    covariance: FloatArray
    rms_px: float
    used: tuple[int, ...]


def pose_problem(
    pairs: Sequence[Pair],
    image_size: tuple[int, int],
    camera: CameraInfo,
    lens: LensProfile | None,
    print_factor: float,
) -> PoseProblem:
    """State the problem for tags seen and their places; arguments as of :func:`fragarea.reference.solve_pose`."""
    width, height = image_size
    board = np.stack([place.corners_mm() for _, place in pairs]) * print_factor
    seen = np.stack([np.asarray(tag.corners_px, dtype=float) for tag, _ in pairs])
    if lens is not None and lens.fits(width, height, camera):
        matrix = lens.matrix(width, height)
        k1, k2, p1, p2, k3 = lens.distortion
        prior = np.array([np.log(matrix[0, 0]), k1, k2, 0.0])
        prior_u = np.array([max(lens.focal_u / lens.focal, PROFILE_FOCAL_U), PROFILE_K_U, PROFILE_K_U, GROWTH_U])
        return PoseProblem(board, seen, matrix[:2, 2], prior, prior_u, (p1, p2, k3), from_profile=True)
    equiv = camera.focal_equiv_mm
    focal = (equiv / 36 if equiv else FOCAL_GUESS) * max(width, height)
    prior_u = np.array([FOCAL_U_EXIF if equiv else FOCAL_U_UNKNOWN, K1_U, K2_U, GROWTH_U])
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    return PoseProblem(board, seen, middle, np.array([np.log(focal), 0.0, 0.0, 0.0]), prior_u)


def fit_pose(problem: PoseProblem) -> PoseFit:
    """Solve the camera with those tags that agree with each other.

    Parameters
    ----------
    problem : PoseProblem
        At least two tags.

    Returns
    -------
    PoseFit
        With two tags that contradict each other its residual is large.

    Notes
    -----
    Parameters are focal length, two radial terms, a growth common to all tags and the pose, fitted by the method of
    Levenberg and Marquardt with Gaussian priors on all but the pose. The covariance is the inverse normal matrix,
    for corners as uncertain as the residuals show.
    """
    keep = _on_one_plane(problem)
    values = _solve(problem.only(keep))
    for _ in range(4):
        again = _near(problem.misses_px(values), keep)
        if len(again) < 2 or np.array_equal(again, keep):
            break
        keep = again
        values = _solve(problem.only(keep), values)
    keep, values = _without_misfits(problem, keep, values)
    part = problem.only(keep)
    corner_u = _corner_u(_linearised(part, values)[0])
    values, _ = _levenberg_marquardt(part, values, max(corner_u, CORNER_FLOOR_IN_FIT_PX))
    residual, slopes = _linearised(part, values)
    corner_u = max(_corner_u(residual), CORNER_FLOOR_PX)
    covariance = np.linalg.inv(_normal_matrix(part, slopes, corner_u))
    rms = float(np.sqrt(np.mean(residual**2)))
    return PoseFit(part, values, np.asarray(covariance, dtype=float), rms, tuple(int(i) for i in keep))


def _on_one_plane(problem: PoseProblem) -> npt.NDArray[np.intp]:
    """Tags that one plane can explain roughly: misread and far-off ones would spoil the first fit."""
    count = len(problem.board_mm)
    everything = np.arange(count)
    if count < 4:
        return everything
    side = float(np.median(np.linalg.norm(problem.seen_px[:, 1] - problem.seen_px[:, 0], axis=1)))
    _, inside = cv2.findHomography(
        problem.board,
        problem.seen_px.reshape(-1, 2),
        cv2.RANSAC,
        max(3.0, ROUGH_SHARE * side),
        maxIters=500,
    )
    if inside is None:
        return everything
    keep = np.flatnonzero(inside.reshape(count, 4).sum(axis=1) >= 3)
    return keep if len(keep) >= 2 else everything


def _near(misses: FloatArray, keep: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Tags that fit about as well as those used; a strong lens may have kept good ones out of the first fit."""
    limit = max(OUTLIER_PX, OUTLIER_TIMES * float(np.median(misses[keep])))
    return np.flatnonzero(misses <= limit)


def _without_misfits(
    problem: PoseProblem, keep: npt.NDArray[np.intp], values: FloatArray
) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Leave out those few tags without which the rest fits far better: bent ones pull the fit and hide in it."""
    rms = first_rms = _rms(problem.only(keep).misses_px(values))
    left, fit = keep, values
    for _ in range((len(keep) - 1) // 2):
        if rms <= SUSPECT_PX:
            break
        left, fit, rms = _without_worst(problem, left, fit)
    stands_out = problem.misses_px(fit)[np.setdiff1d(keep, left)] > OUTLIER_TIMES * rms
    return (left, fit) if rms < RELIEF * first_rms and stands_out.all() else (keep, values)


def _without_worst(
    problem: PoseProblem, keep: npt.NDArray[np.intp], values: FloatArray
) -> tuple[npt.NDArray[np.intp], FloatArray, float]:
    """Leave out that tag without which the others fit best; only those that fit badly are tried."""
    worst_first = np.argsort(-problem.only(keep).misses_px(values))[:MOST_TRIALS]
    trials = [np.delete(keep, i) for i in worst_first]
    fits = [_solve(problem.only(trial), values) for trial in trials]
    left = [_rms(problem.only(trial).misses_px(fit)) for trial, fit in zip(trials, fits, strict=True)]
    best = int(np.argmin(left))
    return trials[best], fits[best], left[best]


def _rms(misses: FloatArray) -> float:
    return float(np.sqrt(np.mean(misses**2)))


def _solve(problem: PoseProblem, start: FloatArray | None = None) -> FloatArray:
    if start is not None:
        return _levenberg_marquardt(problem, start, FIRST_CORNER_U_PX)[0]
    ends = [_levenberg_marquardt(problem, first, FIRST_CORNER_U_PX) for first in _starts(problem)]
    return min(ends, key=lambda end: end[1])[0]


def _starts(problem: PoseProblem) -> list[FloatArray]:
    """The poses that a plane seen without much perspective allows: two where neither fits much better."""
    matrix, distortion = problem.camera(problem.prior)
    space = np.column_stack([problem.board, np.zeros(len(problem.board))])
    _, turns, shifts, misses = cv2.solvePnPGeneric(
        space, problem.seen_px.reshape(-1, 1, 2), matrix, distortion, flags=cv2.SOLVEPNP_IPPE
    )
    poses = [
        (float(miss), np.concatenate([problem.prior, turn.ravel(), shift.ravel()]))
        for turn, shift, miss in zip(turns, shifts, misses.ravel(), strict=True)
    ]
    sound = [(miss, pose) for miss, pose in poses if np.isfinite(miss) and np.isfinite(pose).all()]
    if not sound:
        return [_start_from_above(problem)]
    limit = AMBIGUOUS_TIMES * min(miss for miss, _ in sound)
    return [pose for miss, pose in sound if miss <= limit]


def _start_from_above(problem: PoseProblem) -> FloatArray:
    """The pose without tilt that fits best; seen exactly from above, OpenCV's closed form divides by zero."""
    board, seen = (points @ np.array([1, 1j]) for points in (problem.board, problem.seen_px.reshape(-1, 2)))
    turn = np.vdot(board - board.mean(), seen - seen.mean()) / np.vdot(board - board.mean(), board - board.mean())
    distance = float(np.exp(problem.prior[LOG_FOCAL]) / max(abs(turn), 1e-9))
    origin = seen.mean() - turn * board.mean() - problem.middle_px @ np.array([1, 1j])
    shift = origin * distance / float(np.exp(problem.prior[LOG_FOCAL]))
    return np.array([*problem.prior, 0, 0, np.angle(turn), shift.real, shift.imag, distance])


def _levenberg_marquardt(problem: PoseProblem, start: FloatArray, corner_u: float) -> tuple[FloatArray, float]:
    """Parameters and cost at the minimum, for corners that are uncertain by `corner_u` pixels."""
    values, damping = start, 1e-6
    residual, slopes = _linearised(problem, values)
    cost = _cost(problem, values, residual, corner_u)
    for _ in range(MOST_STEPS):
        normal = _normal_matrix(problem, slopes, corner_u)
        pull = slopes.T @ residual / corner_u**2
        pull[:PRIORS] += (problem.prior - values[:PRIORS]) / problem.prior_u**2
        change = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull)
        trial = values + change
        trial_residual, trial_slopes = _linearised(problem, trial)
        trial_cost = _cost(problem, trial, trial_residual, corner_u)
        if not trial_cost <= cost:
            if damping > 1e6 or trial_cost - cost < LEAST_GAIN:
                break
            damping *= 100
            continue
        gain, cost = cost - trial_cost, trial_cost
        values, residual, slopes, damping = trial, trial_residual, trial_slopes, damping / 10
        if gain < LEAST_GAIN:
            break
    return values, cost


def _cost(problem: PoseProblem, values: FloatArray, residual: FloatArray, corner_u: float) -> float:
    pulls = (problem.prior - values[:PRIORS]) / problem.prior_u
    return float(residual @ residual / corner_u**2 + pulls @ pulls)


def _corner_u(residual: FloatArray) -> float:
    # Eight is about what a plane behind a lens takes of the residuals.
    return float(np.sqrt(residual @ residual / max(residual.size - 8, 2)))


def _normal_matrix(problem: PoseProblem, slopes: FloatArray, corner_u: float) -> FloatArray:
    weight = np.zeros(PARAMETERS)
    weight[:PRIORS] = 1 / problem.prior_u**2
    return np.asarray(slopes.T @ slopes / corner_u**2 + np.diag(weight))


def project_points(problem: PoseProblem, values: FloatArray, points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pixels ``(n, 2)`` of points ``(n, 2)`` on the reference plane, and their slopes ``(2 n, 10)``.

    Slopes by the growth of tags are zero: it moves corners on the reference, not points.
    """
    matrix, distortion = problem.camera(values)
    space = np.zeros((len(points_mm), 3))
    space[:, :2] = points_mm
    pixels, by_opencv = cv2.projectPoints(space, values[TURN], values[SHIFT], matrix, distortion)
    slopes = np.zeros((len(by_opencv), PARAMETERS))
    # cv2.projectPoints gives rotation 0-2, translation 3-5, fx 6, fy 7, cx 8, cy 9, then k1, k2, ...
    slopes[:, LOG_FOCAL] = (by_opencv[:, 6] + by_opencv[:, 7]) * np.exp(values[LOG_FOCAL])
    slopes[:, [K1, K2]] = by_opencv[:, 10:12]
    slopes[:, PRIORS:] = by_opencv[:, :6]
    return np.asarray(pixels, dtype=float).reshape(-1, 2), slopes


def _linearised(problem: PoseProblem, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals ``(2 n,)`` of the corners and the slopes ``(2 n, 10)`` of the predicted pixels."""
    corners = problem.board + values[GROWTH] * problem.from_middles
    pixels, slopes = project_points(problem, values, corners)
    # A point moves in the camera's axes by its move on the board, turned.
    rotation, _ = cv2.Rodrigues(values[TURN])
    moves = problem.from_middles @ rotation[:, :2].T
    slopes[:, GROWTH] = np.einsum("nij,nj->ni", slopes[:, SHIFT].reshape(-1, 2, 3), moves).ravel()
    return (problem.seen_px.reshape(-1, 2) - pixels).ravel(), slopes
