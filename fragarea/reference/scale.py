"""The scale of a photo from its printed reference: refused, doubted, or given with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.errors import ReferenceNotFound, ViewUnusable
from fragarea.photo.records import CameraInfo
from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.lens import LensProfile
from fragarea.reference.plane import CameraPose, FloatArray, PhotoScale
from fragarea.reference.pose import (
    K1,
    K2,
    LOG_FOCAL,
    PARAMETERS,
    SHIFT,
    TURN,
    PoseFit,
    PoseProblem,
    fit_pose,
    pose_problem,
    project_points,
)
from fragarea.reference.tags import TagSighting, find_tags

STEEPEST_DEG = 25.0
TILTED_DEG = 15.0
COARSEST_MM_PER_PX = 1 / 3
SMALL_TAG_PX = 40.0
BLUR_DOUBT_MM, BLUR_REFUSE_MM = 0.25, 0.8
# Tags whose corners miss by more than this share of their side do not lie on one plane.
CRUMPLED_SHARE = 0.03
# Lengths less certain than this would spoil any outline.
LOOSEST_U_REL = 0.02
# The tags tell the lens when they leave less than this share of what was unknown about k1 beforehand.
LENS_TOLD_SHARE = 0.5
# A photo was squeezed when, drawn out again, its tags miss by less than this share.
SQUEEZED_SHARE = 0.3
# Ratios nearer to 1 than this are left to other causes.
LEAST_SQUEEZE = 0.02
HEIGHT_STEP = 1e-5  # rad and mm: small against the height, large against rounding
RETAKE_WHOLE = "retake the photo with the whole reference in view, its tags wiped dry and out of glare"
AS_TAKEN = "give the photo as the camera took it, not a copy made smaller"


def find_scale(
    pixels: npt.NDArray[np.uint8],
    layout: ReferenceLayout,
    camera: CameraInfo,
    *,
    photo_name: str,
    lens: LensProfile | None = None,
    print_factor: float = 1.0,
    print_u_rel: float = 0.0,
) -> PhotoScale:
    """Find the tags of a printed reference and solve the camera; see :func:`find_tags` and :func:`solve_pose`."""
    return solve_pose(
        find_tags(pixels, layout),
        layout,
        (pixels.shape[1], pixels.shape[0]),
        camera,
        photo_name=photo_name,
        lens=lens,
        print_factor=print_factor,
        print_u_rel=print_u_rel,
    )


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
        Tags in the photo; those that the layout does not know are ignored, and so are some that are bent or misread.
    layout : ReferenceLayout
    image_size : (width, height)
        Of the upright photo, in pixels.
    camera : CameraInfo
        Its 35-mm equivalent focal length is a prior worth a few percent: where the camera was tilted the tags tell
        better, where it was not they cannot, and lengths on the plane do not depend on it.
    photo_name : str
        For errors.
    lens : LensProfile or None
        Measured lens; gives focal length and distortion where its photos had these proportions and came from this
        camera, as far as known.
    print_factor, print_u_rel : float
        Measured over nominal length of the print and its relative standard uncertainty.

    Returns
    -------
    PhotoScale

    Raises
    ------
    ReferenceNotFound
        If fewer than two tags of the reference can be used, or those seen do not fix the scale where fragments lie.
    ViewUnusable
        If the camera is tilted by more than 25 degrees, the scale is below 3 pixels a mm, or edges are smeared.
    """
    known = [(tag, layout.tag(tag.tag_id)) for tag in sightings]
    pairs = [(tag, place) for tag, place in known if place is not None]
    _refuse_few({tag.tag_id for tag, _ in pairs}, layout, image_size, photo_name)
    problem = pose_problem(pairs, image_size, camera, lens, print_factor)
    fit = fit_pose(problem)
    used = [pairs[i][0] for i in fit.used]
    pose = fit.problem.pose(fit.values)
    if not _fits_together(fit, used) or pose.tilt_deg > STEEPEST_DEG:
        _refuse_squeezed(problem, fit.rms_px, image_size, photo_name)
    _refuse_disagreeing(fit, used, layout, photo_name)
    mm_per_px, scale_u, lens_u = _length_u(fit, layout, print_factor)
    blur_px = float(np.median([tag.blur_px for tag in used]))
    _refuse_view(pose, mm_per_px, blur_px * mm_per_px, photo_name)
    _refuse_loose(math.hypot(scale_u, lens_u), used, layout, photo_name)
    scale = PhotoScale(
        plane=pose,
        method="tags",
        reference=layout.name,
        mm_per_px=mm_per_px,
        scale_u_rel=scale_u,
        print_u_rel=print_u_rel,
        lens_u_rel=lens_u,
        camera_height_u_rel=_camera_height_u(fit) / pose.camera_height_mm,
        tags_seen=tuple(dict.fromkeys(tag.tag_id for tag, _ in pairs)),
        tags_used=tuple(tag.tag_id for tag in used),
        rms_px=fit.rms_px,
        lens_source=_lens_source(fit),
        blur_px=blur_px,
        doubts=(),
    )
    return _with_doubts(scale, layout, pose.tilt_deg, float(np.median([tag.side_px for tag in used])))


def _lens_source(fit: PoseFit) -> str:
    if fit.problem.from_profile:
        return "profile"
    told = math.sqrt(fit.covariance[K1, K1]) < LENS_TOLD_SHARE * fit.problem.prior_u[K1]
    return "tags" if told else "none"


def _length_u(fit: PoseFit, layout: ReferenceLayout, print_factor: float) -> tuple[float, float, float]:
    """Mm per pixel at the middle; largest relative u of lengths where fragments lie, without and from the lens."""
    px_per_mm, slopes = _local_lengths(fit, _places_mm(layout) * print_factor)
    lens = [K1, K2]
    rest = [i for i in range(PARAMETERS) if i not in lens]
    # What would be left if the lens were known: the covariance conditioned on the lens terms.
    cross = fit.covariance[np.ix_(rest, lens)]
    within = fit.covariance[np.ix_(rest, rest)]
    known = within - cross @ np.linalg.solve(fit.covariance[np.ix_(lens, lens)], cross.T)
    total = _largest_variance(slopes, fit.covariance)
    plain = _largest_variance(slopes[:, rest], known)
    return 1 / float(px_per_mm[0]), math.sqrt(plain), math.sqrt(max(total - plain, 0.0))


def _local_lengths(fit: PoseFit, places_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pixels per mm (root of the area ratio) at places ``(n, 2)``, and slopes ``(n, 10)`` of its logarithm."""
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)], dtype=float)
    pixels, slopes = project_points(fit.problem, fit.values, (places_mm[:, None] + corners).reshape(-1, 2))
    x, y = np.moveaxis(pixels.reshape(-1, 4, 2), -1, 0)
    areas = 0.5 * (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1)
    # The area changes with a corner by half the diagonal opposite to it, turned by a right angle.
    by_x = 0.5 * (np.roll(y, -1, axis=1) - np.roll(y, 1, axis=1))
    by_y = 0.5 * (np.roll(x, 1, axis=1) - np.roll(x, -1, axis=1))
    by_corner = np.stack([by_x, by_y], axis=-1).reshape(len(places_mm), 8)
    by_parameter = np.einsum("nc,ncp->np", by_corner, slopes.reshape(len(places_mm), 8, PARAMETERS))
    return np.sqrt(np.abs(areas) / 4), by_parameter / (2 * areas[:, None])


def _largest_variance(slopes: FloatArray, covariance: FloatArray) -> float:
    return max(float(np.max(np.einsum("ni,ij,nj->n", slopes, covariance, slopes))), 0.0)


def _places_mm(layout: ReferenceLayout) -> FloatArray:
    """The middle of the reference first, then four places towards the corners of where fragments lie."""
    corners = np.array(layout.window_mm or layout.outline_mm, dtype=float)
    middle = np.array(layout.centre_mm)
    # In a window fragments lie up to three quarters of the way to its corners; beside a card a little outside it.
    reach = 0.75 if layout.window_mm else 1.1
    return np.vstack([middle, middle + reach * (corners - middle)])


def _camera_height_u(fit: PoseFit) -> float:
    """Standard uncertainty of the camera's height in mm, by differences over its rotation and translation."""
    base = fit.problem.pose(fit.values).camera_height_mm
    slope = np.zeros(PARAMETERS)
    for i in [*range(TURN.start, TURN.stop), *range(SHIFT.start, SHIFT.stop)]:
        moved = fit.values.copy()
        moved[i] += HEIGHT_STEP
        slope[i] = (fit.problem.pose(moved).camera_height_mm - base) / HEIGHT_STEP
    return math.sqrt(max(float(slope @ fit.covariance @ slope), 0.0))


def _refuse_few(ids: set[int], layout: ReferenceLayout, image_size: tuple[int, int], photo_name: str) -> None:
    if len(ids) >= 2:
        return
    seen = f"only {len(ids)} of {len(layout.tags)} tags" if ids else f"none of the {len(layout.tags)} tags"
    needed = np.sort(np.ptp(np.array(layout.outline_mm, dtype=float), axis=0)) / COARSEST_MM_PER_PX
    if (np.sort(image_size) < needed).any():
        raise ViewUnusable(
            photo_name,
            f"{seen} of {layout.name} seen; {image_size[0]} x {image_size[1]} pixels are too few to show it all at"
            f" 3 pixels a mm ({needed[1]:.0f} x {needed[0]:.0f} would just do)",
            AS_TAKEN,
        )
    raise ReferenceNotFound(
        photo_name, f"{seen} of {layout.name} seen; need 4 corners of at least 2 tags", RETAKE_WHOLE
    )


def _fits_together(fit: PoseFit, used: Sequence[TagSighting]) -> bool:
    return fit.rms_px <= CRUMPLED_SHARE * float(np.median([tag.side_px for tag in used]))


def _refuse_squeezed(problem: PoseProblem, rms_px: float, image_size: tuple[int, int], photo_name: str) -> None:
    """Refuse a photo whose width and height were changed by different factors: its tags fit once it is drawn out."""
    ratio = 1.0
    for _ in range(3):
        longer = max(image_size[0] / ratio, image_size[1]) / max(image_size)
        prior = problem.prior + np.eye(len(problem.prior))[LOG_FOCAL] * math.log(longer)
        ratio = _width_to_height(problem, float(np.exp(prior[LOG_FOCAL])))
        if not 0.05 < ratio < 20:
            return
    drawn_out = replace(
        problem, seen_px=problem.seen_px / (ratio, 1), middle_px=problem.middle_px / (ratio, 1), prior=prior
    )
    fit = fit_pose(drawn_out)
    # by all tags, for without some of them any ratio may look right
    left_px = float(np.median(drawn_out.misses_px(fit.values)))
    steep = fit.problem.pose(fit.values).tilt_deg > STEEPEST_DEG
    if abs(ratio - 1) < LEAST_SQUEEZE or left_px > SQUEEZED_SHARE * rms_px or steep:
        return
    narrow, share = ("width", ratio) if ratio < 1 else ("height", 1 / ratio)
    raise ViewUnusable(
        photo_name,
        f"the photo is squeezed: its {narrow} was made about {share:.2f} times what it should be",
        AS_TAKEN,
    )


def _width_to_height(problem: PoseProblem, focal_px: float) -> float:
    """By how much more the width of pixels counts than their height, nan where the tags do not tell.

    With the homography (h1 h2 h3) of the tags about the middle of the photo and K = diag(ratio f, f, 1), K^-1 h1 and
    K^-1 h2 are at right angles and equally long: two equations, linear in 1 / ratio^2.
    """
    seen = (problem.seen_px - problem.middle_px).reshape(-1, 2)
    found, _ = cv2.findHomography(problem.board, seen, cv2.LMEDS)
    if found is None:
        return math.nan
    one, two = found[:, 0], found[:, 1]
    of_width, of_height, of_depth = np.array([one * two, one**2 - two**2]).T
    squared = -float(of_width @ (of_height + focal_px**2 * of_depth)) / float(of_width @ of_width)
    return 1 / math.sqrt(squared) if squared > 0 else math.nan


def _refuse_disagreeing(fit: PoseFit, used: Sequence[TagSighting], layout: ReferenceLayout, photo_name: str) -> None:
    if _fits_together(fit, used):
        return
    raise ReferenceNotFound(
        photo_name,
        f"the {len(used)} tags of {layout.name} that were seen do not fit together (by {fit.rms_px:.1f} pixels)",
        "lay the reference flat, check that it is the one named, and retake with all its tags in view",
    )


def _refuse_view(pose: CameraPose, mm_per_px: float, blur_mm: float, photo_name: str) -> None:
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
            f"go nearer, or set the camera to its full size; {AS_TAKEN}",
        )
    if blur_mm > BLUR_REFUSE_MM:
        raise ViewUnusable(
            photo_name,
            f"edges are smeared over {2 * blur_mm:.1f} mm",
            "hold still, clean the lens and use more light, and retake",
        )


def _refuse_loose(u_rel: float, used: Sequence[TagSighting], layout: ReferenceLayout, photo_name: str) -> None:
    if u_rel <= LOOSEST_U_REL:
        return
    raise ReferenceNotFound(
        photo_name,
        f"the {len(used)} of {len(layout.tags)} tags seen leave the scale uncertain by {100 * u_rel:.0f} %",
        RETAKE_WHOLE,
    )


def _with_doubts(scale: PhotoScale, layout: ReferenceLayout, tilt_deg: float, side_px: float) -> PhotoScale:
    doubts = []
    if tilt_deg > TILTED_DEG:
        doubts.append(Doubt("tilted", f"{tilt_deg:.0f} degrees"))
    if 2 * len(scale.tags_used) < len(layout.tags):
        doubts.append(Doubt("few_tags", f"{len(scale.tags_used)} of {len(layout.tags)}"))
    left_out = [str(tag_id) for tag_id in scale.tags_seen if tag_id not in scale.tags_used]
    if left_out:
        doubts.append(Doubt("tags_rejected", f"tag {', '.join(left_out)}"))
    if side_px < SMALL_TAG_PX:
        doubts.append(Doubt("tags_small", f"{side_px:.0f} pixels"))
    if scale.lens_source == "none":
        doubts.append(Doubt("lens_unknown"))
    if scale.blur_px * scale.mm_per_px > BLUR_DOUBT_MM:
        doubts.append(Doubt("blur", f"edges spread over {2 * scale.blur_px * scale.mm_per_px:.1f} mm"))
    return replace(scale, doubts=tuple(doubts))
