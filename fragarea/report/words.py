"""Names, dates and doubts in the words that every picture and table shares."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date, datetime

from fragarea.doubts import Doubt
from fragarea.measurement import FragmentMeasurement, FragmentStatus

Place = tuple[int, int] | str
"""Where a fragment sits: (row, column) on a tray, the label on a pad, a known shape's id."""

LOOK = 2
"""Doubts of this weight and above ask for a look; lighter ones are notes."""

CAUTIONS = (
    "Areas are planar: the tissue's outline seen from straight above, not its surface.",
    "The tool measures photographs and advises; people decide. It does not diagnose disease or certify anything.",
    "Cutting, moving or planting coral commonly needs permits; health questions belong to a veterinarian "
    "or another qualified person.",
)


def needs_look(doubts: Iterable[Doubt]) -> bool:
    """Whether any of the doubts asks for a look (weight 2 or 3); notes do not, nor what a person marked wrong."""
    seen = tuple(doubts)
    return any(doubt.kind.weight >= LOOK for doubt in seen) and not marked_wrong(seen)


def marked_wrong(doubts: Iterable[Doubt]) -> bool:
    """Whether a person said that the measurement does not count."""
    return any(doubt.key == "marked_wrong" for doubt in doubts)


def by_weight(doubts: Iterable[Doubt]) -> tuple[Doubt, ...]:
    """Doubts without repeats, the heaviest first."""
    return tuple(sorted(dict.fromkeys(doubts), key=lambda doubt: -doubt.kind.weight))


def place_of(fragment: FragmentMeasurement) -> Place:
    """The place of a fragment: its position, or its label off a tray."""
    return fragment.position if fragment.position is not None else fragment.label


def place_words(place: Place) -> str:
    """A place as a person says it: ``"R2 C5"``, or the label as it stands."""
    return place if isinstance(place, str) else f"R{place[0]} C{place[1]}"


def fragment_name(fragment: FragmentMeasurement, names: Mapping[Place, str] | None = None) -> str:
    """Recorded name of a fragment, else its place in words; ``"fragment"`` when it has neither."""
    place = place_of(fragment)
    return (names or {}).get(place) or place_words(place) or "fragment"


def natural_key(text: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts ``"2"`` before ``"10"``."""
    parts = re.findall(r"[0-9]{1,9}|[^0-9]+|[0-9]+", text)
    return tuple((0, int(p), "") if re.fullmatch(r"[0-9]{1,9}", p) else (1, 0, p.casefold()) for p in parts)


def place_key(fragment: FragmentMeasurement) -> tuple[int, int, int, tuple[tuple[int, int, str], ...]]:
    """Sort key: tray positions by row and column, then everything else by label."""
    row, column = fragment.position or (0, 0)
    return (0 if fragment.position else 1, row, column, natural_key(fragment.label))


def when_words(moment: datetime | date | None) -> str:
    """Date and time of day to the minute, with the offset when it is known; ``"date unknown"`` for None."""
    if moment is None:
        return "date unknown"
    if not isinstance(moment, datetime):
        return moment.isoformat()
    text = moment.strftime("%Y-%m-%d %H:%M") if moment.year >= 1000 else moment.isoformat(" ", "minutes")
    offset = moment.strftime("%z")
    return f"{text} {offset[:3]}:{offset[3:5]}" if offset else text


def area_or_state(fragment: FragmentMeasurement) -> str | None:
    """The word that stands in place of an area (``"missing"``, ``"dead"``), or None where the area counts."""
    if fragment.status in (FragmentStatus.MISSING, FragmentStatus.DEAD):
        return fragment.status.value
    return None
