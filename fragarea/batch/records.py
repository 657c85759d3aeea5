"""What a batch is given and what it tells."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from fragarea.logbook import Refusal
from fragarea.measurement import MeasureSettings
from fragarea.nursery import Nursery, Tables
from fragarea.reference.lens import LensProfile

REFUSED_EXIT = 3
INTERRUPTED_EXIT = 130


@dataclass(frozen=True)
class Job:
    """What all photos of a batch share; handed to every worker once.

    Attributes
    ----------
    nursery : Nursery
    tables : Tables
    settings : MeasureSettings
        Without print correction and reference hash, which depend on each photo's site.
    prints : tuple of (reference, factor, u_rel, checked)
        Print corrections by reference.
    lens : LensProfile or None
    site : str or None
        Site named by the user for all photos.
    taken_at : datetime or None
        Date named by the user for all photos.
    """

    nursery: Nursery
    tables: Tables
    settings: MeasureSettings
    prints: tuple[tuple[str, float, float, bool], ...] = ()
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
    duplicates : int
        Files whose content is that of another file.
    unreadable : tuple of (path, Refusal)
        Files that could not even be read.
    """

    tasks: tuple[PhotoTask, ...]
    unchanged: int
    duplicates: int
    unreadable: tuple[tuple[str, Refusal], ...] = ()


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
    refused_paths : tuple of str
    unchanged, duplicates : int
    left : int
        Photos not begun because the run was stopped.
    interrupted : bool
    """

    measured: tuple[str, ...]
    doubtful: tuple[str, ...]
    refused: tuple[Refusal, ...]
    refused_paths: tuple[str, ...]
    unchanged: int
    duplicates: int
    left: int = 0
    interrupted: bool = False

    @property
    def exit_code(self) -> int:
        """0, 3 where photos were refused, 130 where the run was stopped."""
        if self.interrupted:
            return INTERRUPTED_EXIT
        return REFUSED_EXIT if self.refused else 0
