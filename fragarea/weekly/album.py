"""Pictures of fragments for the page: asked for by sections, taken photo by photo."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fragarea.errors import FragareaError
from fragarea.growth import AreaPoint
from fragarea.logbook import Logbook, StoredMeasurement, measurements_of
from fragarea.measurement import FragmentMeasurement
from fragarea.photo import read_photo
from fragarea.report import cut_item, format_area, fragment_name, outlined, piece_half_mm
from fragarea.report.pictures import jpeg_bytes
from fragarea.report.words import area_or_state
from fragarea.sites.records import SiteKind
from fragarea.weekly.records import Picture, Shot, Taken

LARGE_PX, SMALL_PX = 300, 168
QUALITY = 72
ROOM_BYTES = 5_500_000
"""Of all pictures together: as text in the page they take a third more, and mail takes files up to some 10 MB."""

_GONE = "the photo is not there any more"
_CHANGED = "the photo has changed since"
_UNREADABLE = "the photo cannot be read"
_NO_ROOM = "left out, to keep the file small"
_NO_PLANE = "measured without a map of the photo"


@dataclass(frozen=True)
class _Wish:
    """One picture to take."""

    key: str
    stored: StoredMeasurement
    fragment: FragmentMeasurement
    size_px: int
    half_mm: float


class Album:
    """Collects the pictures that sections ask for; the first asked for have room first.

    Parameters
    ----------
    logbook : Logbook
        Where measurements of other days are looked up.
    stored : iterable of StoredMeasurement
        Those at hand.
    """

    def __init__(self, logbook: Logbook, stored: Iterable[StoredMeasurement]) -> None:
        known = {one.measurement.sha256: one for one in stored}

        @cache
        def find(sha256: str) -> StoredMeasurement | None:
            if sha256 in known:
                return known[sha256]
            return next((one for one in measurements_of(logbook, sha256) if one.is_current), None)

        self._find = find
        self._wishes: dict[str, _Wish] = {}

    def small(self, stored: StoredMeasurement, fragment: FragmentMeasurement) -> Picture:
        """Ask for a small picture of a fragment on a photo."""
        return self._ask(stored, fragment, SMALL_PX, piece_half_mm(stored.measurement, fragment))

    def shots(self, *points: AreaPoint) -> tuple[Shot, ...]:
        """Ask for large pictures of a fragment at some visits, all at one scale."""
        seen = [self._seen(point) for point in points]
        half_mm = max(piece_half_mm(stored.measurement, fragment) for stored, fragment in seen)
        return tuple(
            Shot(self._ask(*one, LARGE_PX, half_mm), point.taken_at.date(), state_words(one[1]))
            for one, point in zip(seen, points, strict=True)
        )

    def _seen(self, point: AreaPoint) -> tuple[StoredMeasurement, FragmentMeasurement]:
        stored = self._find(point.sha256)
        assert stored is not None, "growth knows only photos of the logbook"
        return stored, stored.measurement.fragments[stored.fragment_ids.index(point.fragment_id)]

    def _ask(self, stored: StoredMeasurement, fragment: FragmentMeasurement, size_px: int, half_mm: float) -> Picture:
        number = stored.fragment_ids[stored.measurement.fragments.index(fragment)]
        key = f"{number}-{size_px}"
        self._wishes.setdefault(key, _Wish(key, stored, fragment, size_px, half_mm))
        taken = stored.measurement.taken_at
        return Picture(key, f"{fragment_name(fragment, stored.names)} on {taken:%Y-%m-%d}" if taken else "")

    def take(
        self, folder: Path, *, room_bytes: int = ROOM_BYTES, on_progress: Callable[[int, int], None] | None = None
    ) -> dict[str, Taken]:
        """Take all pictures that were asked for.

        Parameters
        ----------
        folder : Path
            The nursery folder.
        room_bytes : int
            Of all JPEG files together.
        on_progress : callable, optional
            Called with photos done and photos in all.

        Returns
        -------
        dict of key to Taken
        """
        by_photo: dict[str, list[_Wish]] = defaultdict(list)
        for wish in self._wishes.values():
            by_photo[wish.stored.measurement.sha256].append(wish)
        taken: dict[str, Taken] = {}
        for done, wishes in enumerate(by_photo.values(), start=1):
            taken |= _of_photo(folder, wishes)
            if on_progress:
                on_progress(done, len(by_photo))
        room = room_bytes
        for key in self._wishes:
            room -= len(taken[key].jpeg)
            if room < 0:
                taken[key] = Taken(why_not=_NO_ROOM)
        return taken


def state_words(fragment: FragmentMeasurement) -> str:
    """Area with its uncertainty, or the state that stands in its place."""
    return area_or_state(fragment) or format_area(fragment.live.area_mm2, fragment.live.expanded_mm2)


def _of_photo(folder: Path, wishes: list[_Wish]) -> dict[str, Taken]:
    """Pictures from one photo."""

    def none(why: str) -> dict[str, Taken]:
        return {wish.key: Taken(why_not=why) for wish in wishes}

    stored = wishes[0].stored
    if stored.measurement.plane is None:
        return none(_NO_PLANE)
    file = folder / stored.path
    if not file.is_file():
        return none(_GONE)
    try:
        photo = read_photo(file, allow_grey=stored.measurement.site.kind is SiteKind.SHAPES)
    except (FragareaError, OSError):
        return none(_UNREADABLE)
    if photo.sha256 != stored.measurement.sha256:
        return none(_CHANGED)
    pictures = {}
    for wish in wishes:
        item = cut_item(photo.pixels, stored.measurement, wish.fragment, "", half_mm=wish.half_mm)
        picture = outlined(item, wish.size_px, stroke_px=2 if wish.size_px >= LARGE_PX else 1)
        pictures[wish.key] = Taken(jpeg_bytes(picture, quality=QUALITY))
    return pictures
