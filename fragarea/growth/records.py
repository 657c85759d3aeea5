"""What growth is computed from: areas of one fragment over time, with the errors that they share."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime

from fragarea.measurement import FragmentStatus

DAYS_PER_MONTH = 30.4375
"""A twelfth of a year of 365.25 days."""


@dataclass(frozen=True)
class ErrorPart:
    """One part of an area's uncertainty and where its error comes from.

    Attributes
    ----------
    u_mm2 : float
        Standard uncertainty that it gives the area.
    source : str
        Name of the error itself: parts with one name, on whatever photo and fragment, have one error in common (the
        print, an assumed height). Empty for an error that nothing else shares.
    """

    u_mm2: float
    source: str = ""


@dataclass(frozen=True)
class AreaPoint:
    """One fragment on one photo.

    Attributes
    ----------
    taken_at : datetime
        By the camera's clock, without offset: only some photos may know theirs.
    area_mm2 : float
        Live tissue, bleached included.
    parts : tuple of ErrorPart
        Their root sum of squares is the standard uncertainty of the area.
    status : FragmentStatus
    bleached_mm2, dead_mm2 : float
    rim_share : float or None
        Part of the outline that lies at the rim of the plug or beyond it; None where no outline or rim is known.
    doubts : frozenset of str
        Keys of the doubts about the fragment.
    marked_wrong : bool
        A person said that this measurement does not count.
    photo, sha256 : str
    fragment_id : int
        Its row in the logbook; 0 where it is in none.
    """

    taken_at: datetime
    area_mm2: float
    parts: tuple[ErrorPart, ...]
    status: FragmentStatus = FragmentStatus.LIVE
    bleached_mm2: float = 0.0
    dead_mm2: float = 0.0
    rim_share: float | None = None
    doubts: frozenset[str] = frozenset()
    marked_wrong: bool = False
    photo: str = ""
    sha256: str = ""
    fragment_id: int = 0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.area_mm2) and self.area_mm2 >= 0):
            raise ValueError(f"area_mm2 must be finite and not negative; got {self.area_mm2}")
        if not all(part.u_mm2 >= 0 for part in self.parts):
            raise ValueError(f"standard uncertainties must not be negative; got {self.parts}")

    @property
    def area_u_mm2(self) -> float:
        """Combined standard uncertainty."""
        return math.hypot(*(part.u_mm2 for part in self.parts))

    @property
    def radius_mm(self) -> float:
        """Equivalent radius sqrt(A / pi)."""
        return math.sqrt(self.area_mm2 / math.pi)

    @property
    def radius_u_mm(self) -> float:
        """Standard uncertainty of the equivalent radius; infinite where there is no tissue."""
        return self.area_u_mm2 * self.radius_per_area

    @property
    def radius_per_area(self) -> float:
        """Derivative of the equivalent radius by the area, 1 / (2 sqrt(pi A)), in 1/mm."""
        return 0.5 / math.sqrt(math.pi * self.area_mm2) if self.area_mm2 > 0 else math.inf


@dataclass(frozen=True)
class FragmentHistory:
    """All that the logbook and the tables say about one fragment.

    Attributes
    ----------
    fragment, genotype, site : str
        `genotype` is empty where the table names none; `site` is where it stood last.
    points : tuple of AreaPoint
        In order of time.
    cut_on : date or None
    left_on : date or None
        First day on which it no longer stood in the nursery (outplanted, given away).
    undated : int
        Photos of it that carry no date and can be no point of a curve.
    """

    fragment: str
    genotype: str
    points: tuple[AreaPoint, ...]
    site: str = ""
    cut_on: date | None = None
    left_on: date | None = None
    undated: int = 0

    def __post_init__(self) -> None:
        times = [point.taken_at for point in self.points]
        if times != sorted(times):
            raise ValueError(f"points of {self.fragment} must be in order of time")


def days_between(earlier: datetime, later: datetime) -> float:
    """Days from one time to another, by the camera's clock."""
    return (later.replace(tzinfo=None) - earlier.replace(tzinfo=None)).total_seconds() / 86_400
