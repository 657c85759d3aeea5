"""From the logbook and the photos to the weekly report; the rim of this package."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import numpy as np

from fragarea import __version__
from fragarea.fusion_view import FusionView, view_fusion
from fragarea.growth_view import view_growth
from fragarea.logbook import (
    KeptReport,
    Logbook,
    count_late,
    keep_report,
    known_photos,
    last_check,
    last_report,
)
from fragarea.nursery import Nursery, Tables
from fragarea.nursery_view import view_nursery
from fragarea.outplant_view import ForecastView, view_forecast
from fragarea.pad_pictures import shots_from
from fragarea.report import visits_of
from fragarea.report.words import CAUTIONS
from fragarea.sites.records import SiteKind
from fragarea.weekly.album import Album
from fragarea.weekly.changes import said_of
from fragarea.weekly.outplanting import days_of_interest
from fragarea.weekly.pads import pictures_of, shown_first
from fragarea.weekly.records import PadPictures, WeeklyPage
from fragarea.weekly.sections import BUILDERS, Week

DAYS = 7


def week_of(
    logbook: Logbook,
    nursery: Nursery,
    tables: Tables,
    *,
    today: date,
    since: date | None = None,
    until: date | None = None,
) -> Week:
    """Read what a report is made of.

    Parameters
    ----------
    logbook : Logbook
    nursery : Nursery
    tables : Tables
    today : date
    since, until : date, optional
        First and last day. By default the last day is that of the last photo, and the first one follows the last day
        of the report before, or is six days earlier where there is none.

    Returns
    -------
    Week
    """
    photos = list(known_photos(logbook).values())
    dated = [(photo.site, photo.taken_at.date(), photo.refusal is None) for photo in photos if photo.taken_at]
    # a camera whose clock is years ahead must not hide all reports to come
    sensible = [day for _, day, _ in dated if day <= today + timedelta(days=1)]
    until = until or max(sensible, default=today)
    previous = last_report(logbook, before=until)
    if since is None:
        since = previous.until + timedelta(days=1) if previous else until - timedelta(days=DAYS - 1)
    last_visits: dict[str, date] = {}
    for site, day, measured in dated:
        if measured and day <= until:
            last_visits[site] = max(day, last_visits.get(site, day))
    seen = view_nursery(logbook, nursery, tables, since=since, until=until)
    growth = view_growth(logbook, tables, until=until)
    pads_now = _pads(logbook, nursery, tables, since, until)
    check = last_check(logbook, until=until)
    return Week(
        nursery=nursery,
        since=since,
        until=until,
        seen=seen,
        growth=growth,
        pads=pads_now,
        check=check,
        last_visits=last_visits,
        late=count_late(logbook, taken_before=since, recorded_after=previous.made_at) if previous else 0,
        undated=sum(photo.taken_at is None and photo.refusal is None for photo in photos),
        previous=previous,
        said=said_of(
            concerns=growth.concerns,
            mixups=growth.mixups,
            genotypes=growth.genotypes.genotypes,
            visits=visits_of(seen.rows),
            checked_on=check.taken_on if check else None,
        ),
        tables=tables,
        outplanting=_outplanting(logbook, nursery, tables, until),
        pad_pictures=_pad_pictures(logbook, nursery, tables, pads_now, until) if pads_now else (),
    )


def _outplanting(logbook: Logbook, nursery: Nursery, tables: Tables, on: date) -> ForecastView | None:
    """The forecast of a day; None for a nursery that does not say when fragments are ready."""
    if not nursery.outplanting.rules:
        return None
    wanted = [float((day - on).days) for day in days_of_interest(nursery, on)]
    return view_forecast(logbook, nursery, tables, on=on, days=np.unique([0.0, *wanted]))


def _pads(logbook: Logbook, nursery: Nursery, tables: Tables, since: date, until: date) -> FusionView | None:
    if not any(site.kind is SiteKind.PAD for site in nursery.sites):
        return None
    return view_fusion(logbook, tables, since=since, until=until)


def _pad_pictures(
    logbook: Logbook, nursery: Nursery, tables: Tables, seen: FusionView, until: date
) -> tuple[PadPictures, ...]:
    """Pictures of some of the pads of these days, over all their visits."""
    shot_of = shots_from(logbook, nursery.folder)
    whole = [
        pad
        for site in shown_first(seen)
        for pad in view_fusion(logbook, tables, site=site, until=until, with_outlines=True).pads
    ]
    return tuple(pictures_of(pad, shot_of, number) for number, pad in enumerate(whole, start=1))


def make_weekly(
    logbook: Logbook,
    week: Week,
    *,
    made_at: datetime,
    on_progress: Callable[[int, int], None] | None = None,
) -> WeeklyPage:
    """Make the page of a week.

    Parameters
    ----------
    logbook : Logbook
    week : Week
    made_at : datetime
    on_progress : callable, optional
        Called with photos read and photos to read.

    Returns
    -------
    WeeklyPage
    """
    album = Album(logbook, week.seen.stored)
    sections = tuple(section for build in BUILDERS if (section := build(week, album)) is not None)
    pictures = album.take(week.nursery.folder, on_progress=on_progress)
    return WeeklyPage(
        nursery=week.nursery.name,
        since=week.since,
        until=week.until,
        made_at=made_at,
        software_version=__version__,
        counts=_counts(week),
        sections=sections,
        pictures=pictures,
        cautions=CAUTIONS,
    )


def remember(logbook: Logbook, week: Week, *, made_at: datetime) -> None:
    """Keep in the logbook what a report said, once its page is written, so that the next one can compare."""
    keep_report(logbook, KeptReport(week.since, week.until, made_at.astimezone(UTC), week.said.to_dict()))


def _counts(week: Week) -> tuple[tuple[int, str, str], ...]:
    photos, look, refused = len(week.seen.stored), len(week.fresh_concerns), len(week.seen.refused)
    return (
        (photos, f"{'photo' if photos == 1 else 'photos'} measured", "good"),
        (look, f"{'fragment' if look == 1 else 'fragments'} to look at first", "look" if look else "good"),
        (refused, f"{'photo' if refused == 1 else 'photos'} refused", "refused" if refused else "good"),
    )
