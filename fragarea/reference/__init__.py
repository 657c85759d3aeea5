"""Pixels to millimetres.

``layout``   printed references as their JSON describes them
``squares``  dark squares on bright paper, in which ``reading`` looks for the codes of ``codes``
``edges``    corners to a few hundredths of a pixel, in the linear light of ``linear``
``tags``     the tags of a photo
``lens``     lens profiles from photos of a board
``pose``     camera pose by least squares, with covariance
``scale``    the scale of a photo from its tags: refused, doubted, or given with its uncertainty
``plane``    pixels to points of a plane and back; the scale of a photo
``light``    white balance and exposure from grey patches
``rim``      ellipses of plug rims
``rimscale`` the scale from plugs of known diameter
``byhand``   the scale from two points given by hand, and two scales compared
``stored``   planes as JSON values
"""

from __future__ import annotations

from fragarea.reference.byhand import AffinePlane, compare_scales, scale_from_two_points
from fragarea.reference.layout import ReferenceLayout, load_reference
from fragarea.reference.lens import LensProfile, fit_lens, load_lens, save_lens
from fragarea.reference.light import Light, light_from_patches
from fragarea.reference.plane import CameraPose, PhotoScale, PlaneMap
from fragarea.reference.rim import RimEllipse, fit_ellipse_subpixel
from fragarea.reference.rimscale import scale_from_rims, scale_of_rims
from fragarea.reference.scale import find_scale, solve_pose
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
    "scale_of_rims",
    "solve_pose",
]
