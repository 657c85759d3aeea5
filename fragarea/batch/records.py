"""What a batch is given and what it tells."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from fragarea.measurement import MeasureSettings, PhotoMeasurement, Refusal
from fragarea.nursery import Nursery, Tables
from fragarea.reference.lens import LensProfile

if TYPE_CHECKING:
    from fragarea.growth import MixUp  # loads much that no worker needs

REFUSED_EXIT = 3
INTERRUPTED_EXIT = 130


PrintCheckOf = tuple[str, date, float, float]


@dataclass(frozen=True)
class Job:
    """What all photos of a batch share; handed to every worker once.

    Attributes
    ----------
    nursery : Nursery
    tables : Tables
    settings : MeasureSettings
        Without what depends on each photo's site and day: print correction, hashes of reference and placements.
    prints : tuple of (reference, checked_on, factor, u_rel)
        Every print check of the references in use, by the reference's own name, the earliest first.
    lens : LensProfile or None
    site : str or None
        Site named by the user for all photos.
    taken_at : datetime or None
        Date named by the user for all photos.
    """

    nursery: Nursery
    tables: Tables
    settings: MeasureSettings
    prints: tuple[PrintCheckOf, ...] = ()
    lens: LensProfile | None = None
    site: str | None = None
    taken_at: datetime | None = None


@dataclass(frozen=True)
class PhotoTask:
    """One photo to measure.

    Attributes
    ----------
    file : Path
    path : str
        As the logbook names it: relative to the nursery folder where it lies inside.
    sha256 : str
    also_at : tuple of str
        Other paths with the same content.
    """

    file: Path
    path: str
    sha256: str
    also_at: tuple[str, ...] = ()


@dataclass(frozen=True)
class Plan:
    """What is to be done.

    Attributes
    ----------
    tasks : tuple of PhotoTask
        New or changed, in order of path.
    unchanged : int
        Photos measured before with the same settings.
    duplicates : tuple of (path, path)
        Files whose content is that of another file, which is the second path and counts.
    refused : tuple of (path, Refusal)
        Files and folders that could not even be read, and copies in the folder of another site.
    refused_before : tuple of (path, Refusal)
        Photos refused by an earlier run, with nothing changed since that could mend it.
    again : bool
        Whether everything was asked to be measured anew.
    """

    tasks: tuple[PhotoTask, ...]
    unchanged: int
    duplicates: tuple[tuple[str, str], ...] = ()
    refused: tuple[tuple[str, Refusal], ...] = ()
    refused_before: tuple[tuple[str, Refusal], ...] = ()
    again: bool = False


@dataclass(frozen=True)
class BatchSummary:
    """What a batch did.

    Attributes
    ----------
    measured : tuple of str
        Paths, in the order in which they were finished.
    doubtful : tuple of str
        Those of `measured` that ask for a look.
    refused : tuple of Refusal
        Of this run.
    refused_paths : tuple of str
        Their paths.
    refused_before : tuple of (path, Refusal)
        Standing from earlier runs: the photos still lie there, and nothing changed that could mend them.
    unchanged : int
    duplicates : tuple of (path, path)
        As in :class:`Plan`.
    left : int
        Photos not finished because the run was stopped.
    interrupted : bool
    exchanges : tuple of MixUp
        Fragments that may have changed places, of all visits, where something new was measured.
    """

    measured: tuple[str, ...]
    doubtful: tuple[str, ...]
    refused: tuple[Refusal, ...]
    refused_paths: tuple[str, ...]
    unchanged: int
    duplicates: tuple[tuple[str, str], ...] = ()
    left: int = 0
    interrupted: bool = False
    refused_before: tuple[tuple[str, Refusal], ...] = ()
    exchanges: tuple[MixUp, ...] = ()

    @property
    def exit_code(self) -> int:
        """0; 3 where photos among those given are refused, now or since before; 130 where the run was stopped."""
        if self.interrupted:
            return INTERRUPTED_EXIT
        return REFUSED_EXIT if self.refused or self.refused_before else 0


Outcome = PhotoMeasurement | Refusal
Measure = Callable[[PhotoTask, Job], PhotoMeasurement]
"""Measures one photo of a job, or raises a PhotoProblem; importable by name, so that workers find it."""


class Crew(Protocol):
    """Those who measure: processes of this machine, or of a cluster."""

    def results(
        self, tasks: Iterable[PhotoTask], stopping: Callable[[], bool]
    ) -> Iterator[tuple[PhotoTask, Outcome]]:
        """Each task with its outcome as they are finished; soon ends once `stopping` says so."""
        ...

    def dismiss(self) -> None:
        """End all work in hand at once."""
        ...
