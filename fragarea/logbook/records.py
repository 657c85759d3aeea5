"""What the logbook hands out: frozen records, never rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, NamedTuple

from shapely import MultiPolygon

from fragarea.doubts import Doubt
from fragarea.measurement import FragmentMeasurement, FragmentStatus, PhotoMeasurement, Refusal

Place = tuple[int, int] | str
"""Where a fragment sits: (row, column) on a tray, its label elsewhere."""


def place_of(fragment: FragmentMeasurement) -> Place:
    """The place of a measured fragment: its position, or its label off a tray."""
    return fragment.position if fragment.position is not None else fragment.label


@dataclass(frozen=True)
class StoredMeasurement:
    """One measurement of one photo, as it was recorded.

    Attributes
    ----------
    measurement_id : int
    path : str
        Of the photo, relative to the nursery folder where it lies inside.
    measurement : PhotoMeasurement
        As recorded, with the doubts found since by comparing visits.
    fragment_names : tuple of (str or None)
        Recorded name of each of ``measurement.fragments``, in the same order.
    fragment_ids : tuple of int
        Their rows in the logbook, for edits.
    software_version : str
    recorded_at : datetime
        UTC.
    is_current : bool
        False when a later measurement of the same photo supersedes it.
    supersedes : int or None
        ``measurement_id`` of the one it supersedes.
    """

    measurement_id: int
    path: str
    measurement: PhotoMeasurement
    fragment_names: tuple[str | None, ...]
    fragment_ids: tuple[int, ...]
    software_version: str
    recorded_at: datetime
    is_current: bool
    supersedes: int | None

    @property
    def names(self) -> dict[Place, str]:
        """Fragment name by place; places without a recorded fragment are left out."""
        pairs = zip(self.measurement.fragments, self.fragment_names, strict=True)
        return {place_of(fragment): name for fragment, name in pairs if name}


@dataclass(frozen=True)
class StoredRefusal:
    """One photo that was refused.

    Attributes
    ----------
    measurement_id : int
    path : str
    paths : frozenset of str
        All names under which its content was seen.
    sha256 : str
        Empty for a file that could not be read at all.
    refusal : Refusal
    settings_hash, software_version : str
    recorded_at : datetime
        UTC.
    is_current : bool
    """

    measurement_id: int
    path: str
    paths: frozenset[str]
    sha256: str
    refusal: Refusal
    settings_hash: str
    software_version: str
    recorded_at: datetime
    is_current: bool


@dataclass(frozen=True)
class FragmentVisit:
    """One fragment on one photo: a point of its history.

    Attributes
    ----------
    fragment_id, measurement_id : int
        Rows in the logbook.
    fragment : str or None
        Recorded name.
    site : str
    position : (row, column) or None
    label : str
    taken_at : datetime or None
        Aware when the offset is known.
    photo, sha256 : str
    status : FragmentStatus
    area_mm2, area_u_mm2, expanded_mm2 : float
        Live tissue, bleached included; its standard and expanded (95 %) uncertainty.
    bleached_mm2, dead_mm2 : float
    doubts : tuple of Doubt
        About the fragment.
    """

    fragment_id: int
    measurement_id: int
    fragment: str | None
    site: str
    position: tuple[int, int] | None
    label: str
    taken_at: datetime | None
    photo: str
    sha256: str
    status: FragmentStatus
    area_mm2: float
    area_u_mm2: float
    expanded_mm2: float
    bleached_mm2: float
    dead_mm2: float
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class KnownPhoto:
    """What the logbook holds about the content of a photo, without its numbers.

    Attributes
    ----------
    sha256, path : str
        `path` as last recorded.
    paths : frozenset of str
        All names under which this content was seen.
    site : str
        Empty where a refused photo's folder names none.
    taken_at : datetime or None
    taken_at_source : str
        Empty when refused.
    settings_hash, software_version : str
    refusal : Refusal or None
        None when measured.
    """

    sha256: str
    path: str
    paths: frozenset[str]
    site: str
    taken_at: datetime | None
    taken_at_source: str
    settings_hash: str
    software_version: str
    refusal: Refusal | None


@dataclass(frozen=True)
class CheckRecord:
    """Result of a known-area check.

    Attributes
    ----------
    taken_on : date
    reference, site : str
    verdict : str
    bias_percent, bias_u_percent : float
        Mean bias of areas and its standard uncertainty, in percent of nominal; nan when not known.
    result : mapping
        The whole result, as plain JSON values.
    """

    taken_on: date
    reference: str
    site: str
    verdict: str
    bias_percent: float
    bias_u_percent: float = float("nan")
    result: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class PrintCheck:
    """A print of a reference, measured with a ruler or calliper.

    Attributes
    ----------
    reference : str
    nominal_mm : float
        Length between the two marks as described.
    measured_mm : tuple of float
        Readings of that length on the print.
    factor : float
        Measured over nominal length.
    factor_u_rel : float
        Its relative standard uncertainty.
    checked_on : date
    checked_by : str
    """

    reference: str
    nominal_mm: float
    measured_mm: tuple[float, ...]
    factor: float
    factor_u_rel: float
    checked_on: date
    checked_by: str = ""


class PrintCorrection(NamedTuple):
    """What the last print check says, or what holds for a print nobody measured.

    Attributes
    ----------
    factor, u_rel : float
        As ``print_factor`` and ``print_u_rel`` of :class:`fragarea.measurement.MeasureSettings`.
    checked : bool
    """

    factor: float
    u_rel: float
    checked: bool


@dataclass(frozen=True)
class Edit:
    """A person's correction of one fragment on one photo.

    Attributes
    ----------
    fragment_id : int
        Row of the corrected fragment measurement.
    edited_at : datetime
        UTC.
    edited_by, reason : str
    old_row : mapping
        The row as it stood, as plain JSON values.
    new_fragment : str or None
        New name, where the name was corrected.
    new_outline : MultiPolygon or None
        New live outline, reference axes, mm; None where the outline was not touched.
    marked_wrong : bool or None
        Whether the measurement is wrong; None where the edit says nothing about it.
    """

    fragment_id: int
    edited_at: datetime
    edited_by: str
    reason: str
    old_row: Mapping[str, Any]
    new_fragment: str | None = None
    new_outline: MultiPolygon | None = None
    marked_wrong: bool | None = None
