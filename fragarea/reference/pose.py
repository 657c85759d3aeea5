"""Camera pose from tag corners: least squares over all of them, outliers left out, covariance kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.errors import ReferenceNotFound, ViewUnusable
from fragarea.photo.records import CameraInfo
from fragarea.reference.layout import ReferenceLayout, TagLayout
from fragarea.reference.lens import LensProfile
from fragarea.reference.plane import CameraPose, PhotoScale
from fragarea.reference.tags import TagSighting

FloatArray = npt.NDArray[np.float64]
Pair = tuple[TagSighting, TagLayout]

STEEPEST_DEG = 25.0
TILTED_DEG = 15.0
COARSEST_MM_PER_PX = 1 / 3
SMALL_TAG_PX = 40.0
TAGS_FOR_LENS = 12
# A tag is left out when its corners miss by this many times what the others miss by, and by this many pixels.
OUTLIER_TIMES, OUTLIER_PX = 4.0, 0.5
CORNER_FLOOR_PX = 0.03
# What is known before the photo speaks: EXIF focal lengths are rounded; phone lenses bend straight lines little
# (common practice, no source).
FOCAL_U_EXIF, FOCAL_U_UNKNOWN = 0.03, 0.6
FOCAL_GUESS = 28 / 36  # of the longer side: the usual main lens of a phone (common practice, no source)
K1_U, K2_U = 0.06, 0.02
SHRINK_U = 0.004  # sharpening and blur make all tags of a photo look a little smaller or larger than they are
BLUR_DOUBT_MM, BLUR_REFUSE_MM = 0.25, 0.8

LOG_FOCAL, K1, K2, SHRINK = range(4)
POSE = slice(4, 10)
NAMES = ("log focal", "k1", "k2", "tag shrink", "rx", "ry", "rz", "tx", "ty", "tz")


@dataclass(frozen=True, eq=False)
class _Problem:
    """Corners to fit, and what is known beforehand."""

    board_mm: FloatArray  # (tags, 4, 2)
    centres_mm: FloatArray  # (tags, 1, 2)
    seen_px: FloatArray  # (tags, 4, 2)
    middle_px: FloatArray
    prior: FloatArray  # values of the first four parameters
    prior_u: FloatArray
    fixed: tuple[float, float, float] = (0.0, 0.0, 0.0)  # p1, p2, k3 of a profile
    measured_lens: bool = False

    def camera(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        focal = float(np.exp(values[LOG_FOCAL]))
        matrix = np.array([[focal, 0, self.middle_px[0]], [0, focal, self.middle_px[1]], [0, 0, 1.0]])
        p1, p2, k3 = self.fixed
        return matrix, np.array([values[K1], values[K2], p1, p2, k3])


def solve_pose(
    sightings: Sequence[TagSighting],
    layout: ReferenceLayout,
    image_size: tuple[int, int],
    camera: CameraInfo,
    *,
    photo_name: str,
    lens: LensProfile | None = None,
    print_factor: float = 1.0,
    print_u_rel: float = 0.0,
) -> PhotoScale:
    """Solve the camera against a printed reference.

    Parameters
    ----------
    sightings : sequence of TagSighting
        Tags in the photo; those that the layout does not know are ignored.
    layout : ReferenceLayout
    image_size : (width, height)
        Of the upright photo, in pixels.
    camera : CameraInfo
        Its 35-mm equivalent focal length, where given, is a starting point worth 3 %.
    photo_name : str
        For errors.
    lens : LensProfile or None
        Measured lens; fixes focal length and distortion.
    print_factor, print_u_rel : float
        Measured over nominal length of the print and its relative standard uncertainty.

    Returns
    -------
    PhotoScale

    Raises
    ------
    ReferenceNotFound
        If fewer than two tags of the reference can be used.
    ViewUnusable
        If the camera is tilted by more than 25 degrees, the scale is below 3 pixels a mm, or edges are smeared.

    Notes
    -----
    Parameters are focal length, two radial terms, a shrinkage common to all tags (where the edges of the print seem
    to lie depends on sharpening and blur) and the pose. Gauss-Newton with Gaussian priors on all but the pose; the
    covariance is the inverse normal matrix, scaled by the residuals.
    """
    known = [(tag, layout.tag(tag.tag_id)) for tag in sightings]
    pairs = [(tag, place) for tag, place in known if place is not None]
    if len(pairs) < 2:
        raise ReferenceNotFound(
            photo_name,
            f"only {len(pairs)} of the {len(layout.tags)} tags of {layout.name} can be read; at least 2 are needed",
            "retake the photo with the whole reference in view, its tags wiped dry and out of glare",
        )
    problem = _problem(pairs, image_size, camera, lens, print_factor)
    problem, values, used = _fit_without_outliers(problem, photo_name, layout)
    return _scale(problem, values, layout, photo_name, pairs, used, print_u_rel)


def _problem(
    pairs: Sequence[Pair],
    image_size: tuple[int, int],
    camera: CameraInfo,
    lens: LensProfile | None,
    print_factor: float,
) -> _Problem:
    width, height = image_size
    board = np.stack([place.corners_mm() for _, place in pairs]) * print_factor
    seen = np.stack([tag.corners_px for tag, _ in pairs])
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    if lens is not None and lens.fits(width, height):
        matrix = lens.matrix(width, height)
        k1, k2, p1, p2, k3 = lens.distortion
        prior = np.array([np.log(matrix[0, 0]), k1, k2, 0.0])
        focal_u = max(lens.focal_u / lens.focal, 2e-3)  # focusing changes the focal length a little
        return _Problem(
            board,
            board.mean(axis=1, keepdims=True),
            seen,
            matrix[:2, 2],
            prior,
            np.array([focal_u, 1e-3, 1e-3, SHRINK_U]),
            (p1, p2, k3),
            measured_lens=True,
        )
    equiv = camera.focal_equiv_mm
    focal = (equiv / 36 if equiv else FOCAL_GUESS) * max(width, height)
    k1_u, k2_u = (K1_U, K2_U) if len(pairs) >= TAGS_FOR_LENS else (0.5 * K1_U, 1e-6)
    prior_u = np.array([FOCAL_U_EXIF if equiv else FOCAL_U_UNKNOWN, k1_u, k2_u, SHRINK_U])
    return _Problem(
        board, board.mean(axis=1, keepdims=True), seen, middle, np.array([np.log(focal), 0.0, 0.0, 0.0]), prior_u
    )


def _subset(problem: _Problem, keep: npt.NDArray[np.intp]) -> _Problem:
    return replace(
        problem,
        board_mm=problem.board_mm[keep],
        centres_mm=problem.centres_mm[keep],
        seen_px=problem.seen_px[keep],
    )


def _fit_without_outliers(
    problem: _Problem, photo_name: str, layout: ReferenceLayout
) -> tuple[_Problem, FloatArray, tuple[int, ...]]:
    """Fit, leave out the tag that fits worst while it stands out, and fit again."""
    keep = _agreeing(problem)
    while True:
        if len(keep) < 2:
            raise ReferenceNotFound(
                photo_name,
                f"the tags of {layout.name} do not agree with each other",
                "check that the reference is flat and whole, and retake with all its tags in view",
            )
        part = _subset(problem, keep)
        values = _gauss_newton(part, _start(part))
        miss = np.sqrt(np.mean((_predict(part, values) - part.seen_px) ** 2, axis=(1, 2)))
        worst = int(np.argmax(miss))
        others = np.delete(miss, worst)
        limit = max(OUTLIER_PX, OUTLIER_TIMES * float(np.median(others)))
        if len(keep) == 2 or miss[worst] <= limit:
            if len(keep) == 2 and float(miss.max()) > 4 * OUTLIER_PX:
                keep = keep[:1]
                continue
            return part, values, tuple(int(i) for i in keep)
        keep = np.delete(keep, worst)


def _agreeing(problem: _Problem) -> npt.NDArray[np.intp]:
    """Tags that one plane and a plain camera can explain roughly: drops misread and far-off ones at once."""
    count = len(problem.board_mm)
    if count < 4:
        return np.arange(count)
    board, seen = problem.board_mm.reshape(-1, 2), problem.seen_px.reshape(-1, 2)
    side = float(np.median(np.linalg.norm(problem.seen_px[:, 1] - problem.seen_px[:, 0], axis=1)))
    matrix, inside = cv2.findHomography(board, seen, cv2.RANSAC, max(3.0, 0.15 * side), maxIters=500)
    if matrix is None:
        return np.arange(count)
    return np.flatnonzero(inside.reshape(count, 4).sum(axis=1) >= 3)


def _start(problem: _Problem) -> FloatArray:
    matrix, distortion = problem.camera(problem.prior)
    board = problem.board_mm.reshape(-1, 2)
    space = np.column_stack([board, np.zeros(len(board))])
    found, turn, shift = cv2.solvePnP(
        space, problem.seen_px.reshape(-1, 2), matrix, distortion, flags=cv2.SOLVEPNP_IPPE
    )
    if not found:
        raise ValueError("no pose explains the tags")
    return np.concatenate([problem.prior, turn.ravel(), shift.ravel()])


def _shrunk(problem: _Problem, shrink: float) -> FloatArray:
    return problem.centres_mm + (1 + shrink) * (problem.board_mm - problem.centres_mm)


def _project(problem: _Problem, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    matrix, distortion = problem.camera(values)
    board = _shrunk(problem, float(values[SHRINK])).reshape(-1, 2)
    space = np.column_stack([board, np.zeros(len(board))])
    pixels, slopes = cv2.projectPoints(space, values[4:7], values[7:10], matrix, distortion)
    return np.asarray(pixels, dtype=float).reshape(-1, 2), np.asarray(slopes, dtype=float)


def _predict(problem: _Problem, values: FloatArray) -> FloatArray:
    return _project(problem, values)[0].reshape(problem.seen_px.shape)


def _slopes(problem: _Problem, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals and their derivatives by the ten parameters."""
    pixels, slopes = _project(problem, values)
    focal = np.exp(values[LOG_FOCAL])
    step = 1e-4
    moved = values.copy()
    moved[SHRINK] += step
    by_shrink = (_project(problem, moved)[0] - pixels).ravel() / step
    # cv2.projectPoints gives rotation 0-2, translation 3-5, fx 6, fy 7, cx 8, cy 9, then k1, k2, ...
    by_focal = (slopes[:, 6] + slopes[:, 7]) * focal
    matrix = np.column_stack([by_focal, slopes[:, 10], slopes[:, 11], by_shrink, slopes[:, 0:3], slopes[:, 3:6]])
    return (problem.seen_px.reshape(-1, 2) - pixels).ravel(), matrix


def _normal(problem: _Problem, values: FloatArray, corner_u_px: float) -> tuple[FloatArray, FloatArray]:
    residual, slope = _slopes(problem, values)
    weight = np.zeros(10)
    weight[:4] = 1 / problem.prior_u**2
    pull = np.zeros(10)
    pull[:4] = (problem.prior - values[:4]) * weight[:4]
    normal = slope.T @ slope / corner_u_px**2 + np.diag(weight)
    return normal, slope.T @ residual / corner_u_px**2 + pull


def _gauss_newton(problem: _Problem, start: FloatArray) -> FloatArray:
    values = start
    corner_u = 0.15
    for turn in range(12):
        normal, pull = _normal(problem, values, corner_u)
        change = np.linalg.solve(normal, pull)
        change[:4] = np.clip(change[:4], -0.2, 0.2)
        values = values + change
        if turn == 3:
            corner_u = max(_corner_u(problem, values), CORNER_FLOOR_PX)
        if turn > 3 and float(np.abs(change[:7]).max()) < 1e-9:
            break
    return values


def _corner_u(problem: _Problem, values: FloatArray) -> float:
    residual = problem.seen_px - _predict(problem, values)
    freedom = max(residual.size - 8, 2)
    return float(np.sqrt(np.sum(residual**2) / freedom))


def _pose_of(problem: _Problem, values: FloatArray) -> CameraPose:
    matrix, distortion = problem.camera(values)
    rotation, _ = cv2.Rodrigues(values[4:7])
    return CameraPose(matrix, distortion, np.asarray(rotation, dtype=float), values[7:10].copy())


def _local_lengths(problem: _Problem, values: FloatArray, places_px: FloatArray) -> FloatArray:
    """Mm per pixel (root of the area ratio) around each of ``(n, 2)`` pixels, on the reference plane."""
    pose = _pose_of(problem, values)
    step = 4.0
    around = np.concatenate([places_px + d for d in ((step, 0), (-step, 0), (0, step), (0, -step))])
    right, left, down, up = np.split(pose.to_plane(around, 0.0), 4)
    a, b = (right - left) / (2 * step), (down - up) / (2 * step)
    return np.sqrt(np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]))


def _scale(
    problem: _Problem,
    values: FloatArray,
    layout: ReferenceLayout,
    photo_name: str,
    pairs: Sequence[Pair],
    used: tuple[int, ...],
    print_u_rel: float,
) -> PhotoScale:
    pose = _pose_of(problem, values)
    normal, _ = _normal(problem, values, max(_corner_u(problem, values), CORNER_FLOOR_PX))
    covariance: FloatArray = np.asarray(np.linalg.inv(normal), dtype=float)
    mm_per_px, scale_u, lens_u = _length_u(problem, values, covariance, layout)
    blur_px = float(np.nanmedian([pairs[i][0].blur_px for i in used]))
    _refuse(pose, mm_per_px, blur_px, photo_name)
    profile = problem.measured_lens
    source = "profile" if profile else "tags" if len(used) >= TAGS_FOR_LENS else "none"
    seen_ids = tuple(tag.tag_id for tag, _ in pairs)
    used_ids = tuple(pairs[i][0].tag_id for i in used)
    side_px = float(np.median(np.linalg.norm(problem.seen_px[:, 1] - problem.seen_px[:, 0], axis=1)))
    return PhotoScale(
        plane=pose,
        method="tags",
        reference=layout.name,
        mm_per_px=mm_per_px,
        scale_u_rel=scale_u,
        print_u_rel=print_u_rel,
        lens_u_rel=lens_u,
        camera_height_u_rel=_height_u(problem, values, covariance) / pose.camera_height_mm,
        tags_seen=seen_ids,
        tags_used=used_ids,
        rms_px=float(np.sqrt(np.mean((_predict(problem, values) - problem.seen_px) ** 2))),
        lens_source=source,
        blur_px=blur_px,
        doubts=_doubts(pose, layout, seen_ids, used_ids, side_px, source, blur_px * mm_per_px),
    )


def _length_u(
    problem: _Problem, values: FloatArray, covariance: FloatArray, layout: ReferenceLayout
) -> tuple[float, float, float]:
    """Mm per pixel at the middle; relative u of lengths where fragments lie, without and from the lens terms."""
    places_px = _pose_of(problem, values).project(_places(layout), 0.0)
    lengths = _local_lengths(problem, values, places_px)
    slopes = _length_slopes(problem, values, places_px, lengths)
    lens = [K1, K2]
    rest = [i for i in range(10) if i not in lens]
    # what would be left if the lens were known: the covariance conditioned on the lens terms
    cross = covariance[np.ix_(rest, lens)]
    known = covariance[np.ix_(rest, rest)] - cross @ np.linalg.solve(covariance[np.ix_(lens, lens)], cross.T)
    total = float(np.max(np.einsum("ni,ij,nj->n", slopes, covariance, slopes)))
    plain = float(np.max(np.einsum("ni,ij,nj->n", slopes[:, rest], known, slopes[:, rest])))
    return float(lengths[0]), float(np.sqrt(plain)), float(np.sqrt(max(total - plain, 0.0)))


def _places(layout: ReferenceLayout) -> FloatArray:
    """The middle of the reference first, then the corners of where fragments lie."""
    corners = np.array(layout.window_mm or layout.outline_mm, dtype=float)
    middle = np.array(layout.centre_mm)
    if layout.window_mm is None:
        # plugs lie beside a card, about half its size away
        corners = middle + 1.5 * (corners - middle)
    return np.vstack([middle, middle + 0.75 * (corners - middle)])


def _length_slopes(problem: _Problem, values: FloatArray, places_px: FloatArray, lengths: FloatArray) -> FloatArray:
    steps = np.array([1e-4, 1e-4, 1e-4, 1e-4, 1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-3])
    slopes = np.zeros((len(places_px), 10))
    for i, step in enumerate(steps):
        moved = values.copy()
        moved[i] += step
        slopes[:, i] = (np.log(_local_lengths(problem, moved, places_px)) - np.log(lengths)) / step
    return slopes


def _height_u(problem: _Problem, values: FloatArray, covariance: FloatArray) -> float:
    slope = np.zeros(10)
    base = _pose_of(problem, values).camera_height_mm
    for i in range(4, 10):
        moved = values.copy()
        moved[i] += 1e-4
        slope[i] = (_pose_of(problem, moved).camera_height_mm - base) / 1e-4
    return float(np.sqrt(max(slope @ covariance @ slope, 0.0)))


def _refuse(pose: CameraPose, mm_per_px: float, blur_px: float, photo_name: str) -> None:
    if pose.tilt_deg > STEEPEST_DEG:
        raise ViewUnusable(
            photo_name,
            f"the camera looked from {pose.tilt_deg:.0f} degrees off the vertical; {STEEPEST_DEG:.0f} is the most",
            "retake from straight above",
        )
    if mm_per_px > COARSEST_MM_PER_PX:
        raise ViewUnusable(
            photo_name,
            f"one mm covers only {1 / mm_per_px:.1f} pixels; 3 are needed",
            "go nearer, or set the camera to its full size",
        )
    if blur_px * mm_per_px > BLUR_REFUSE_MM:
        raise ViewUnusable(
            photo_name,
            f"edges are smeared over {2 * blur_px * mm_per_px:.1f} mm",
            "hold still, clean the lens and use more light, and retake",
        )


def _doubts(
    pose: CameraPose,
    layout: ReferenceLayout,
    seen: tuple[int, ...],
    used: tuple[int, ...],
    side_px: float,
    lens_source: str,
    blur_mm: float,
) -> tuple[Doubt, ...]:
    doubts = []
    if pose.tilt_deg > TILTED_DEG:
        doubts.append(Doubt("tilted", f"{pose.tilt_deg:.0f} degrees"))
    if 2 * len(used) < len(layout.tags):
        doubts.append(Doubt("few_tags", f"{len(used)} of {len(layout.tags)}"))
    if len(used) < len(seen):
        left = ", ".join(str(i) for i in seen if i not in used)
        doubts.append(Doubt("tags_rejected", f"tag {left}"))
    if side_px < SMALL_TAG_PX:
        doubts.append(Doubt("tags_small", f"{side_px:.0f} pixels"))
    if lens_source == "none":
        doubts.append(Doubt("lens_unknown"))
    if blur_mm > BLUR_DOUBT_MM:
        doubts.append(Doubt("blur", f"edges spread over {2 * blur_mm:.1f} mm"))
    return tuple(doubts)
