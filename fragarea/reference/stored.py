"""Planes as plain JSON values, so that outlines can be drawn on a photo long after it was measured."""

from __future__ import annotations

from typing import Any

import numpy as np

from fragarea.reference.byhand import AffinePlane
from fragarea.reference.plane import CameraPose, PlaneMap


def plane_to_dict(plane: PlaneMap) -> dict[str, Any]:
    """A plane as JSON values; raises ValueError for a kind of plane that is not known."""
    if isinstance(plane, CameraPose):
        return {
            "kind": "camera",
            "camera_matrix": plane.camera_matrix.tolist(),
            "distortion": plane.distortion.tolist(),
            "rotation": plane.rotation.tolist(),
            "translation_mm": plane.translation_mm.tolist(),
        }
    if isinstance(plane, AffinePlane):
        return {
            "kind": "affine",
            "matrix": plane.matrix.tolist(),
            "origin_px": plane.origin_px.tolist(),
            "height_mm": plane.height_mm,
            "tilt": plane.tilt,
        }
    raise ValueError(f"a plane of type {type(plane).__name__} cannot be stored")


def plane_from_dict(data: dict[str, Any]) -> PlaneMap:
    """The plane of :func:`plane_to_dict`."""
    if data["kind"] == "camera":
        return CameraPose(
            np.array(data["camera_matrix"], dtype=float),
            np.array(data["distortion"], dtype=float),
            np.array(data["rotation"], dtype=float),
            np.array(data["translation_mm"], dtype=float),
        )
    if data["kind"] == "affine":
        return AffinePlane(
            np.array(data["matrix"], dtype=float),
            np.array(data["origin_px"], dtype=float),
            data["height_mm"],
            data["tilt"],
        )
    raise ValueError(f"a plane of kind {data['kind']!r} is not known")
