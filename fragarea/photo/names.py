"""The capture date in a file name such as ``2026-03-07_14-05.jpg``."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime

from fragarea.photo.exif import FIRST_YEAR, LAST_YEAR

_PATTERN = re.compile(
    r"""
    (?<!\d)(?P<year>\d{4})(?P<sep>[-_.]?)(?P<month>\d{2})(?P=sep)(?P<day>\d{2})
    (?: (?!\d) | (?=\d{4}(?:\d{2})?(?:\d{3})?(?!\d)) )      # the date ends here, or a time is glued to it
    (?: [-_\ .T]{0,3} (?!\d{4}[-_.]\d{2}[-_.])                # a time follows, not another date
        (?P<hour>\d{2}) [-_.:h]? (?P<minute>\d{2})
        (?: [-_.:m]? (?P<second>\d{2}) (?:[-_.]?\d{3})? )?   # perhaps with milliseconds
        (?!\d)
    )?
    """,
    re.VERBOSE | re.ASCII,
)


def date_in_name(name: str) -> datetime | None:
    """Return the date, and the time if there is one, that a file name holds.

    Parameters
    ----------
    name : str
        File name without its folder.

    Returns
    -------
    datetime or None
        Naive local time; noon where the name gives no time, which is at most half a day wrong. None where the name
        holds no valid date, or two different ones.

    Examples
    --------
    >>> date_in_name("tray 2026-03-07_14-05.jpg")
    datetime.datetime(2026, 3, 7, 14, 5)
    >>> date_in_name("IMG_20260307_140512.jpg")
    datetime.datetime(2026, 3, 7, 14, 5, 12)
    >>> date_in_name("IMG_20261307.jpg") is None
    True
    """
    moments = list(_moments(name))
    return moments[0] if moments and len({moment.date() for moment in moments}) == 1 else None


def _moments(name: str) -> Iterator[datetime]:
    for match in _PATTERN.finditer(name):
        if not FIRST_YEAR <= int(match["year"]) <= LAST_YEAR:
            continue
        try:
            day = datetime(int(match["year"]), int(match["month"]), int(match["day"]), 12)
        except ValueError:
            continue
        yield _with_time(day, match)


def _with_time(day: datetime, match: re.Match[str]) -> datetime:
    if match["hour"] is None:
        return day
    try:
        return day.replace(hour=int(match["hour"]), minute=int(match["minute"]), second=int(match["second"] or 0))
    except ValueError:
        return day  # digits after the date that are no time: a running number
