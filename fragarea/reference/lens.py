"""Lens profiles: fitted from photos of a printed chess or dot board, kept as JSON, fitting every size of a camera."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.errors import SettingsProblem
from fragarea.photo.records import CameraInfo

Pattern = Literal["chess", "dots"]
SCHEMA = "fragarea-lens-1"
FEWEST_PHOTOS = 4


@dataclass(frozen=True)
class LensProfile:
    """Focal length and distortion of one lens, in units of the photo's longer side.

    Attributes
    ----------
    name : str
    make, model : str
        Of the camera, as EXIF writes them; empty when unknown.
    aspect : float
        Shorter over longer side of the photos it was fitted on.
    focal : float
        Focal length over the longer side.
    centre : (float, float)
        Principal point from the middle of the photo, over the longer side; along the longer and the shorter side.
    distortion : (k1, k2, p1, p2, k3)
        Brown-Conrady.
    focal_u : float
        Standard uncertainty of ``focal``.
    rms_px : float
        Residual of the board's points.
    photos : int
        How many photos it was fitted on.
    reach : float
        Share of the photo's half diagonal out to which board points lay.
    made_on : str
        Date, ISO 8601.
    """

    name: str
    make: str
    model: str
    aspect: float
    focal: float
    centre: tuple[float, float]
    distortion: tuple[float, float, float, float, float]
    focal_u: float
    rms_px: float
    photos: int
    reach: float
    made_on: str = ""

    def matrix(self, width_px: int, height_px: int) -> npt.NDArray[np.float64]:
        """Camera matrix ``(3, 3)`` for photos of this size."""
        long_side = max(width_px, height_px)
        dx, dy = self.centre if width_px >= height_px else self.centre[::-1]
        f = self.focal * long_side
        return np.array(
            [
                [f, 0, (width_px - 1) / 2 + dx * long_side],
                [0, f, (height_px - 1) / 2 + dy * long_side],
                [0, 0, 1.0],
            ]
        )

    def fits(self, width_px: int, height_px: int, camera: CameraInfo | None = None) -> bool:
        """Whether a photo has the proportions of those it was fitted on (to 1 %) and comes from that camera.

        A camera that is not known on either side is taken to be the right one.
        """
        aspect = min(width_px, height_px) / max(width_px, height_px)
        other = camera is not None and bool(camera.model and self.model) and camera.model != self.model
        return abs(aspect / self.aspect - 1) < 0.01 and not other


@dataclass(frozen=True)
class BoardFit:
    """A fitted profile and what it was fitted from.

    Attributes
    ----------
    profile : LensProfile
    used : tuple of (name, rms_px)
    left_out : tuple of (name, reason)
    verdict : str
        One plain sentence on how good it is.
    """

    profile: LensProfile
    used: tuple[tuple[str, float], ...]
    left_out: tuple[tuple[str, str], ...]
    verdict: str


def find_board(
    grey: npt.NDArray[np.uint8], pattern: Pattern, corners: tuple[int, int]
) -> npt.NDArray[np.float32] | None:
    """Board points ``(n, 2)`` to sub-pixel, row by row; None when the board is not found.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, columns)
    pattern : "chess" or "dots"
        Inner corners of a chess board, or centres of a symmetric grid of dots.
    corners : (columns, rows)
    """
    if pattern == "dots":
        found, points = cv2.findCirclesGrid(grey, corners, flags=cv2.CALIB_CB_SYMMETRIC_GRID)
        return np.asarray(points, np.float32).reshape(-1, 2) if found else None
    found, points = cv2.findChessboardCorners(grey, corners)
    if not found:
        return None
    spacing = float(np.min(np.linalg.norm(np.diff(points.reshape(corners[1], corners[0], 2), axis=1), axis=-1)))
    half = int(np.clip(spacing / 3, 2, 11))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-3)
    return np.asarray(cv2.cornerSubPix(grey, points, (half, half), (-1, -1), stop), np.float32).reshape(-1, 2)


def fit_lens(
    photos: Sequence[tuple[str, npt.NDArray[np.uint8]]],
    *,
    pattern: Pattern,
    corners: tuple[int, int],
    square_mm: float,
    name: str,
    make: str = "",
    model: str = "",
    made_on: str = "",
) -> BoardFit:
    """Fit a lens profile with OpenCV's calibration.

    Parameters
    ----------
    photos : sequence of (name, pixels)
        Grey ``(rows, columns)`` or RGB ``(rows, columns, 3)``, all of one size.
    pattern : "chess" or "dots"
    corners : (columns, rows)
        Inner corners of the chess board, or dots.
    square_mm : float
        Distance between neighbouring points.
    name, make, model, made_on : str
        Go into the profile.

    Returns
    -------
    BoardFit

    Raises
    ------
    SettingsProblem
        If fewer than four photos show the whole board, or the photos differ in size.

    References
    ----------
    Zhang, "A flexible new technique for camera calibration", 2000, as in OpenCV ``calibrateCamera``.
    """
    used: list[tuple[str, npt.NDArray[np.float32]]] = []
    left_out: list[tuple[str, str]] = []
    size: tuple[int, int] | None = None
    for photo, pixels in photos:
        grey = np.asarray(pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
        this = (grey.shape[1], grey.shape[0])
        size = size or this
        points = find_board(grey, pattern, corners) if this == size else None
        if this != size:
            left_out.append((photo, f"its size {this[0]} x {this[1]} differs from the first photo's"))
        elif points is None:
            left_out.append((photo, f"the board with {corners[0]} x {corners[1]} points was not found whole"))
        else:
            used.append((photo, points))
    if size is None or len(used) < FEWEST_PHOTOS:
        reasons = "; ".join(f"{photo}: {reason}" for photo, reason in left_out)
        raise SettingsProblem(
            f"only {len(used)} of {len(photos)} photos show the whole board; {FEWEST_PHOTOS} are needed. "
            "Take ten photos of the whole board from several sides, out to the corners of the picture. " + reasons
        )
    return _calibrate(used, left_out, size, corners, square_mm, (name, make, model, made_on))


def _calibrate(
    used: list[tuple[str, npt.NDArray[np.float32]]],
    left_out: list[tuple[str, str]],
    size: tuple[int, int],
    corners: tuple[int, int],
    square_mm: float,
    names: tuple[str, str, str, str],
) -> BoardFit:
    columns, rows = corners
    board = np.zeros((columns * rows, 3), np.float32)
    board[:, :2] = np.mgrid[:columns, :rows].T.reshape(-1, 2) * square_mm
    points = [p for _, p in used]
    # k3 and unequal focal lengths cannot be told from a handful of photos
    rms, matrix, distortion, _, _, deviations, _, per_photo = cv2.calibrateCameraExtended(
        [board] * len(points),
        points,
        size,
        np.array([[max(size), 0, size[0] / 2], [0, max(size), size[1] / 2], [0, 0, 1.0]]),
        np.zeros(5),
        flags=cv2.CALIB_FIX_K3 | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_USE_INTRINSIC_GUESS,
    )
    long_side = max(size)
    middle = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    offset = (matrix[:2, 2] - middle) / long_side
    if size[0] < size[1]:
        offset = offset[::-1]
    half_diagonal = float(np.hypot(*middle))
    reach = float(max(np.linalg.norm(p - middle, axis=1).max() for p in points) / half_diagonal)
    k = np.zeros(5)
    k[: min(5, distortion.size)] = distortion.ravel()[:5]
    name, make, model, made_on = names
    profile = LensProfile(
        name=name,
        make=make,
        model=model,
        aspect=min(size) / max(size),
        focal=float(matrix[0, 0] / long_side),
        centre=(float(offset[0]), float(offset[1])),
        distortion=(float(k[0]), float(k[1]), float(k[2]), float(k[3]), float(k[4])),
        # With both focal lengths tied, only one of their deviations is filled in.
        focal_u=float(deviations.ravel()[:2].max() / long_side),
        rms_px=float(rms),
        photos=len(points),
        reach=reach,
        made_on=made_on,
    )
    shown = tuple((photo, float(r)) for (photo, _), r in zip(used, per_photo.ravel(), strict=True))
    return BoardFit(profile, shown, tuple(left_out), _verdict(profile))


def _verdict(profile: LensProfile) -> str:
    if profile.rms_px > 1.0:
        return f"Poor: points miss by {profile.rms_px:.2f} pixels; keep the board flat and the camera's focus fixed."
    if profile.reach < 0.75:
        share = f"{profile.reach:.0%}"
        return f"Good in the middle only: board points reach {share} of the way to the corners; add photos there."
    if profile.photos < 8:
        return f"Usable: points miss by {profile.rms_px:.2f} pixels; {profile.photos} photos are few, ten are better."
    return f"Good: points miss by {profile.rms_px:.2f} pixels over {profile.photos} photos."


def save_lens(profile: LensProfile, path: Path) -> None:
    """Write a profile as JSON."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps({"schema": SCHEMA, **asdict(profile)}, indent=1) + "\n", encoding="utf-8")


def load_lens(path: Path) -> LensProfile:
    """Read a profile.

    Raises
    ------
    SettingsProblem
        If the file is missing or is not a lens profile; names the file.
    """
    try:
        data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if data.pop("schema", None) != SCHEMA:
            raise ValueError(f"schema is not {SCHEMA}")
        data["centre"], data["distortion"] = tuple(data["centre"]), tuple(data["distortion"])
        return LensProfile(**data)
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise SettingsProblem(f"{path.name}: not a lens profile ({error}). Make one with 'fragarea lens'.") from error
