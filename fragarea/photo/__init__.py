"""One photo file -> upright pixels, capture date, camera, identity; see the package docstring of fragarea."""

from __future__ import annotations

from fragarea.photo.files import SUFFIXES, looks_like_photo, photo_hash
from fragarea.photo.read import read_photo
from fragarea.photo.records import CameraInfo, Photo

__all__ = ["SUFFIXES", "CameraInfo", "Photo", "looks_like_photo", "photo_hash", "read_photo"]
