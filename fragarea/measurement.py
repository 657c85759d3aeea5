"""What measuring a photo gives: the records that every later stage reads."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from datetime import datetime
from enum import StrEnum

from shapely import MultiPolygon

from fragarea.area.records import AreaEstimate
from fragarea.doubts import Doubt
from fragarea.photo.records import CameraInfo
from fragarea.reference.plane import PlaneMap
from fragarea.sites.records import SiteDescription


class FragmentStatus(StrEnum):
    """State of a fragment in one photo."""

    LIVE = "live"
    PARTLY_DEAD = "partly dead"
    DEAD = "dead"
    MISSING = "missing"


@dataclass(frozen=True)
class FragmentMeasurement:
    """One fragment (or known-area shape) on one photo.

    Attributes
    ----------
    position : (row, column) or None
        On a tray, from 1.
    label : str
        Place on a pad (``"1"``, ``"2"``, ...) or id of a known shape; empty elsewhere.
    centre_mm : (float, float)
        Middle of the plug or shape, reference axes.
    plug_radius_mm : float or None
        Fitted rim.
    status : FragmentStatus
    live : AreaEstimate
        Planar area of live tissue, bleached included.
    bleached_mm2, dead_mm2 : float
    outline_live, outline_bleached, outline_dead : MultiPolygon
        Reference axes, mm, on the plane at ``edge_height_mm``.
    edge_height_mm : float
        Height of the tissue's edge above the reference plane.
    confidence : float
    doubts : tuple of Doubt
    """

    position: tuple[int, int] | None
    label: str
    centre_mm: tuple[float, float]
    plug_radius_mm: float | None
    status: FragmentStatus
    live: AreaEstimate
    bleached_mm2: float
    dead_mm2: float
    outline_live: MultiPolygon
    outline_bleached: MultiPolygon
    outline_dead: MultiPolygon
    edge_height_mm: float
    confidence: float
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class MeasureSettings:
    """Everything besides the photo and the site's description that changes a number or a date.

    Attributes
    ----------
    lens_profile, lens_hash : str
        Name of the lens profile and short hash of what it says; empty for none.
    print_factor, print_u_rel : float
        Measured over nominal length of the print, and its relative standard uncertainty. The default is that of a
        print nobody measured (0.2 %, common practice, no source).
    print_checked : bool
    reference_hash : str
        Short hash of the reference's description; empty without one.
    placements_hash : str
        Short hash of which fragments are recorded where at the site on the day of the photo; empty when none are.
    two_points_px : (x1, y1, x2, y2) or None
        Two points of the photo given by hand, whose distance is the scale.
    two_points_mm, two_points_u_mm : float
        Their distance and its standard uncertainty.
    tissue_shift : (live, bleached, dead, edge_mm)
        How the nursery's own corrections shift the tissue model; see
        :class:`fragarea.tissue.calibration.TissueCalibration`.
    zone : str
        Time zone that the photo's date was given; empty where it carries its own offset, or no zone is known.
    """

    lens_profile: str = ""
    lens_hash: str = ""
    print_factor: float = 1.0
    print_u_rel: float = 0.002
    print_checked: bool = False
    reference_hash: str = ""
    placements_hash: str = ""
    two_points_px: tuple[float, float, float, float] | None = None
    two_points_mm: float = 0.0
    two_points_u_mm: float = 0.5
    tissue_shift: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    zone: str = ""


@dataclass(frozen=True)
class PhotoMeasurement:
    """All that one photo tells.

    Attributes
    ----------
    photo, sha256, taken_at, taken_at_source, camera
        As in :class:`fragarea.photo.records.Photo`.
    width_px, height_px : int
        Of the upright photo.
    site : SiteDescription
    settings : MeasureSettings
    settings_hash : str
        See :func:`settings_hash`.
    method, reference : str
        As in :class:`fragarea.reference.plane.PhotoScale`.
    mm_per_px : float
    camera_height_mm, tilt_deg : float or None
    plug_top_mm : float
        Height of the plug tops above the reference plane that was used.
    plug_top_source : str
    tags_seen, tags_used : int
    rms_px : float
    fragments : tuple of FragmentMeasurement
    doubts : tuple of Doubt
        About the whole photo.
    plane : PlaneMap or None
        Lets outlines be drawn on the photo.
    """

    photo: str
    sha256: str
    taken_at: datetime | None
    taken_at_source: str
    camera: CameraInfo
    width_px: int
    height_px: int
    site: SiteDescription
    settings: MeasureSettings
    settings_hash: str
    method: str
    reference: str
    mm_per_px: float
    camera_height_mm: float | None
    tilt_deg: float | None
    plug_top_mm: float
    plug_top_source: str
    tags_seen: int
    tags_used: int
    rms_px: float
    fragments: tuple[FragmentMeasurement, ...]
    doubts: tuple[Doubt, ...] = ()
    plane: PlaneMap | None = None


@dataclass(frozen=True)
class Refusal:
    """Why a photo was not measured.

    Attributes
    ----------
    photo : str
        File name as the user knows it.
    cause, remedy : str
        What was seen and what to do next, without a final full stop.
    kind : str
        Name of the error, or ``"stopped"``, ``"too slow"``, ``"failed"`` where the program itself gave way.
    try_again : bool
        True where the next run may do better by itself: a file that could not be read, a worker that was killed.
    taken_at : datetime or None
        When the photo was taken, where that much could be read.
    """

    photo: str
    cause: str
    remedy: str
    kind: str
    try_again: bool = False
    taken_at: datetime | None = None

    def __str__(self) -> str:
        return f"{self.photo}: {self.cause}. {self.remedy}."


def settings_hash(site: SiteDescription, settings: MeasureSettings) -> str:
    """Short hash of everything besides the photo that changes its numbers."""
    text = json.dumps({"site": asdict(site), "settings": asdict(settings)}, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
