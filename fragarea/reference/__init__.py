"""Pixels to millimetres.

``layout``   printed references as their JSON describes them
``tags``     tags found and refined to a few hundredths of a pixel
``lens``     lens profiles from photos of a board
``pose``     camera pose by least squares, with covariance
``plane``    pixels to points of a plane and back; the scale of a photo
``light``    white balance and exposure from grey patches
``rim``      ellipses of plug rims
``byhand``   scales without a printed reference
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fragarea.photo.records import CameraInfo
from fragarea.reference.byhand import AffinePlane, compare_scales, scale_from_rims, scale_from_two_points
from fragarea.reference.layout import ReferenceLayout, load_reference
from fragarea.reference.lens import LensProfile, fit_lens, load_lens, save_lens
from fragarea.reference.light import Light, light_from_patches
from fragarea.reference.plane import CameraPose, PhotoScale, PlaneMap
from fragarea.reference.pose import solve_pose
from fragarea.reference.rim import RimEllipse, fit_ellipse_subpixel
from fragarea.reference.tags import TagSighting, find_tags

__all__ = [
    "AffinePlane",
    "CameraPose",
    "LensProfile",
    "Light",
    "PhotoScale",
    "PlaneMap",
    "ReferenceLayout",
    "RimEllipse",
    "TagSighting",
    "compare_scales",
    "find_scale",
    "find_tags",
    "fit_ellipse_subpixel",
    "fit_lens",
    "light_from_patches",
    "load_lens",
    "load_reference",
    "save_lens",
    "scale_from_rims",
    "scale_from_two_points",
    "solve_pose",
]


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
    """Find the tags of a printed reference and solve the camera; see :func:`solve_pose`."""
    tags = find_tags(pixels, layout)
    return solve_pose(
        tags,
        layout,
        (pixels.shape[1], pixels.shape[0]),
        camera,
        photo_name=photo_name,
        lens=lens,
        print_factor=print_factor,
        print_u_rel=print_u_rel,
    )
