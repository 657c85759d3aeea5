"""The sections of the page: a function each, from the week to a record."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date
from functools import cached_property

import numpy as np
from markupsafe import Markup

from fragarea.check import CheckResult, summary_sentence
from fragarea.doubts import DOUBTS
from fragarea.fusion_view import FusionView
from fragarea.growth import (
    ADVICE,
    DAYS_PER_MONTH,
    AreaPoint,
    Concern,
    FragmentHistory,
    GenotypeGrowth,
    MixUp,
    contrast_sentence,
    rates_over,
)
from fragarea.growth_view import GrowthView
from fragarea.logbook import CheckRecord, KeptReport, StoredMeasurement
from fragarea.measurement import FragmentMeasurement, FragmentStatus
from fragarea.nursery import Nursery, Tables
from fragarea.nursery_view import NurseryView
from fragarea.outplant_view import ForecastView
from fragarea.report import Visit, format_area, fragment_name, needs_look, sum_area, visits_of
from fragarea.report.plots import extension_figures
from fragarea.report.rounding import round_pair
from fragarea.report.rows import COVERAGE_FACTOR
from fragarea.report.words import LOOK, by_weight, marked_wrong, natural_key, place_key, when_words
from fragarea.weekly.album import Album, state_words
from fragarea.weekly.changes import Said, changes, exchange_words, extension_words
from fragarea.weekly.outplanting import to_outplant
from fragarea.weekly.pads import pads
from fragarea.weekly.page import inline_svg
from fragarea.weekly.records import (
    Changed,
    Check,
    Concerned,
    DoubtLine,
    Doubts,
    Exchange,
    Exchanges,
    Fragments,
    GenotypeLine,
    Growth,
    LookFirst,
    PadPictures,
    Photographed,
    Refused,
    Section,
    Shot,
    SiteTiles,
    Tile,
    VisitLine,
)

MOST_PAIRS = 30
"""Fragments to look at that are shown with pictures."""
MOST_EXCHANGES = 6
"""Possible exchanges that are shown with pictures."""
MOST_TILES = 240
"""Fragments that are shown as small pictures."""
MOST_COMPARISONS = 12
CHECK_DAYS = 31
"""How old a known-area check may be before a new one is asked for."""

NO_TABLES = Tables((), ())

_WIDE_IN, _NARROW_IN = 5.6, 3.6
_SITES_NAMED = 8


@dataclass(frozen=True, eq=False)
class Week:
    """All that the report is made of.

    Attributes
    ----------
    nursery : Nursery
    since, until : date
        First and last day.
    seen : NurseryView
        Of these days.
    growth : GrowthView
        Of all days up to the last.
    pads : FusionView or None
        Of the pads of these days; None for a nursery without pads.
    pad_pictures : tuple of PadPictures
        Of some of these pads.
    check : CheckRecord or None
        The last one up to the last day.
    last_visits : mapping of site to date
        Last visit of every site up to the last day.
    late, undated : int
        Photos of earlier days that came in since the last report, and photos without a date.
    previous : KeptReport or None
        The last report.
    said : Said
        What this report says.
    tables : Tables
    outplanting : ForecastView or None
        As of the last day; None for a nursery without rules for outplanting.
    """

    nursery: Nursery
    since: date
    until: date
    seen: NurseryView
    growth: GrowthView
    pads: FusionView | None = field(default=None, kw_only=True)
    check: CheckRecord | None
    last_visits: Mapping[str, date]
    late: int
    undated: int
    previous: KeptReport | None
    said: Said
    tables: Tables = NO_TABLES
    outplanting: ForecastView | None = None
    pad_pictures: tuple[PadPictures, ...] = ()

    @cached_property
    def visits(self) -> tuple[Visit, ...]:
        """Visits of these days."""
        return visits_of(self.seen.rows)

    @property
    def said_before(self) -> Said | None:
        """What the last report said, where this program can read it."""
        return Said.from_dict(self.previous.said) if self.previous else None

    def covers(self, day: date) -> bool:
        """Whether a day is one of the report's."""
        return self.since <= day <= self.until

    @property
    def fresh_concerns(self) -> tuple[Concern, ...]:
        """Fragments to look at that were photographed on these days, gravest first."""
        return tuple(one for one in self.growth.concerns if self.covers(one.now.taken_at.date()))


def photographed(week: Week, album: Album) -> Section:
    """Sites, visits, photos, refusals."""
    photos: dict[tuple[str, date | None], int] = defaultdict(int)
    for one in week.seen.stored:
        taken = one.measurement.taken_at
        photos[one.measurement.site.name, taken.date() if taken else None] += 1
    lines = [
        VisitLine(
            site=visit.site,
            on=visit.on,
            photos=photos[visit.site, visit.on],
            measured=sum(row.status is not FragmentStatus.MISSING for row in visit.rows),
            to_look_at=sum(row.needs_look for row in visit.rows),
            live=_live_words(visit),
        )
        for visit in week.visits
        if visit.on is not None
    ]
    here = {visit.site for visit in week.visits}
    names = dict.fromkeys([*(site.name for site in week.nursery.sites), *week.last_visits])
    away = [
        f"{name} (last on {week.last_visits[name]})" if name in week.last_visits else f"{name} (never)"
        for name in sorted(names, key=natural_key)
        if name not in here
    ]
    refused = tuple(Refused(one.photo, one.cause, one.remedy) for one in week.seen.refused)
    return Section(
        "photographed", "What was photographed", Photographed(tuple(lines), refused, tuple(away), _notes(week))
    )


def _live_words(visit: Visit) -> str:
    wrong = sum(row.marked_wrong for row in visit.rows)
    return format_area(*sum_area(visit.rows)) + (f" without {wrong} marked wrong" if wrong else "")


def _notes(week: Week) -> tuple[str, ...]:
    notes = []
    if week.late:
        noun = "photo of earlier days was" if week.late == 1 else "photos of earlier days were"
        notes.append(f"{week.late} {noun} measured since the last report; growth holds them, these lists do not.")
    if week.undated:
        noun = "photo has" if week.undated == 1 else "photos have"
        notes.append(f"{week.undated} {noun} no date and can be in no report: put the date into the file's name.")
    return tuple(notes)


def changed(week: Week, album: Album) -> Section:
    """What changed since the last report."""
    title = "Since the last report"
    if week.previous is None:
        return Section("changed", title, Changed(""))
    since = (
        f"Compared with the report of {week.previous.since} to {week.previous.until}, "
        f"made {when_words(week.previous.made_at.astimezone(week.nursery.zone or UTC))}."
    )
    before = week.said_before
    lines = (
        changes(before, week.said)
        if before
        else ("That report was made by another version of the program, which this one cannot read.",)
    )
    return Section("changed", title, Changed(since, lines))


def look_first(week: Week, album: Album) -> Section:
    """Losses and bleaching, gravest first, with pictures of now and before."""
    before = week.said_before
    fresh = week.fresh_concerns
    exchanged = {name for one in week.growth.mixups if week.covers(one.taken_at.date()) for name in one.fragments}
    shown = []
    for one in fresh[:MOST_PAIRS]:
        shots = album.shots(*(point for point in (one.before, one.now) if point is not None))
        shown.append(
            Concerned(
                fragment=one.fragment,
                genotype=one.genotype,
                site=one.site,
                findings=(
                    *(finding.words for finding in one.findings),
                    *(["may have changed places with another, see below"] if one.fragment in exchanged else []),
                ),
                is_new=before is not None and one.fragment not in before.look,
                now=shots[-1],
                before=shots[0] if one.before is not None else None,
            )
        )
    return Section(
        "look-first",
        "Look at these first",
        LookFirst(
            tuple(shown),
            tuple(_concern_words(one) for one in fresh[MOST_PAIRS:]),
            tuple(_concern_words(one) for one in week.growth.concerns if one not in fresh),
            ADVICE,
        ),
    )


def _concern_words(one: Concern) -> str:
    seen = "; ".join(finding.words for finding in one.findings)
    return f"{one.fragment} ({one.site or 'no site'}, {one.now.taken_at:%Y-%m-%d}): {seen}"


def exchanges(week: Week, album: Album) -> Section | None:
    """Fragments that may have changed places; no section where there are none."""
    found = week.growth.mixups
    if not found:
        return None
    fresh = [one for one in found if week.covers(one.taken_at.date())]
    histories = _histories(week.growth, {name for one in fresh[:MOST_EXCHANGES] for name in one.fragments})
    shown = [
        Exchange(_mixup_words(one), _exchange_pairs(one, histories, album) if number < MOST_EXCHANGES else ())
        for number, one in enumerate(fresh)
    ]
    advice = found[0].doubt.kind.do
    return Section(
        "exchanges",
        "Possible exchanges",
        Exchanges(
            tuple(shown),
            tuple(_mixup_words(one) for one in found if one not in fresh),
            f"{advice[:1].upper()}{advice[1:]}. Nothing is renamed by itself.",
        ),
    )


def _mixup_words(one: MixUp) -> str:
    return f"{exchange_words(one)} may have changed places, odds {one.odds_words}."


def _exchange_pairs(
    mixup: MixUp, histories: Mapping[str, FragmentHistory], album: Album
) -> tuple[tuple[str, Shot, Shot], ...]:
    pairs = []
    for name in mixup.fragments:
        points = histories[name].points if name in histories else ()
        then = [point for point in points if point.taken_at.date() == mixup.taken_at.date()]
        before = [point for point in points if point.taken_at.date() < mixup.taken_at.date() and point.area_mm2 > 0]
        if then and before:
            first, second = album.shots(before[-1], then[0])
            pairs.append((name, first, second))
    return tuple(pairs)


def growth(week: Week, album: Album) -> Section:
    """Growth of the genotypes: numbers, figure, sentences."""
    view = week.growth
    before = week.said_before.extension if week.said_before else {}
    plots = [
        inline_svg(
            figures[0], name=name, about="Radial extension of the genotypes with 95 % intervals; see the table"
        )
        if (figures := extension_figures(view.genotypes.genotypes, width_in=width))
        else Markup()
        for name, width in (("wide", _WIDE_IN), ("narrow", _NARROW_IN))
    ]
    told = [contrast_sentence(one) for one in view.contrasts]
    reasons = "; ".join(f"{number} {reason.value}" for reason, number in view.left_out.items())
    return Section(
        "growth",
        "Growth by genotype",
        Growth(
            lines=tuple(_genotype_line(one, before) for one in view.genotypes.genotypes),
            plot=plots[0],
            narrow_plot=plots[1],
            sentences=tuple(told[:MOST_COMPARISONS]),
            more_comparisons=max(0, len(told) - MOST_COMPARISONS),
            left_out=f"Measurements that do not count as growth: {reasons}." if reasons else "",
        ),
    )


def _genotype_line(one: GenotypeGrowth, before: Mapping[str, tuple[float, float, float, float]]) -> GenotypeLine:
    best, interval = "", ""
    if one.known:
        best, interval = extension_words(
            (
                one.extension_mm_per_month,
                one.low_mm_per_month,
                one.high_mm_per_month,
                one.extension_u_mm_per_month,
            )
        )
    then = "{} ({})".format(*extension_words(before[one.genotype])) if one.genotype in before else ""
    return GenotypeLine(one.genotype, one.fragments, one.points, best, interval, then, one.method.value)


def check(week: Week, album: Album) -> Section:
    """The last known-area check, and whether it is time for another."""
    title = "Known-area check"
    if week.check is None:
        return Section("check", title, Check("no known-area check yet", is_due=True))
    words = summary_sentence(CheckResult.from_dict(week.check.result), week.check.taken_on)
    age_days = (week.until - week.check.taken_on).days
    if age_days > 0:
        words += f"; {age_days} {'day' if age_days == 1 else 'days'} before the last day of this report"
    return Section("check", title, Check(words, is_due=age_days > CHECK_DAYS))


def doubts(week: Week, album: Album) -> Section:
    """Doubts of these days by kind, with who carries them."""
    carriers: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for visit in week.visits:
        photos = dict.fromkeys((row.photo, row.photo_doubts) for row in visit.rows)
        for photo, found in photos:
            for doubt in found:
                carriers[doubt.key][visit.title].append(f"photo {photo}" if len(photos) > 1 else "whole photo")
        for row in visit.rows:
            for doubt in row.doubts:
                carriers[doubt.key][visit.title].append(row.name)
    lines = {
        key: DoubtLine(
            f"{DOUBTS[key].title[:1].upper()}{DOUBTS[key].title[1:]}",
            DOUBTS[key].seen,
            DOUBTS[key].do,
            tuple(f"{title}: {', '.join(dict.fromkeys(names))}" for title, names in where.items()),
        )
        for key, where in carriers.items()
    }
    ordered = sorted(lines, key=lambda key: -DOUBTS[key].weight)
    return Section(
        "doubts",
        "Doubts about measurements",
        Doubts(
            tuple(lines[key] for key in ordered if DOUBTS[key].weight >= LOOK),
            tuple(lines[key] for key in ordered if DOUBTS[key].weight < LOOK),
        ),
    )


def fragments(week: Week, album: Album) -> Section:
    """Every fragment at the last visit of its site, as far as there is room."""
    latest = [one for one in week.seen.stored if _day(one) == max(_days_of(week, one.measurement.site.name))]
    found = [(one, fragment) for one in latest for fragment in sorted(one.measurement.fragments, key=place_key)]
    concerned = {one.fragment for one in week.fresh_concerns}

    def calm(item: tuple[StoredMeasurement, FragmentMeasurement]) -> bool:
        stored, fragment = item
        return not needs_look(fragment.doubts) and fragment_name(fragment, stored.names) not in concerned

    # those to look at have room first
    chosen = {id(fragment) for _, fragment in sorted(found, key=calm)[:MOST_TILES]}
    names = {fragment_name(fragment, stored.names) for stored, fragment in found if id(fragment) in chosen}
    histories = _histories(week.growth, names)
    genotypes = week.growth.record.genotypes
    tiles: dict[tuple[str, date], list[Tile]] = defaultdict(list)
    left_out: dict[str, int] = defaultdict(int)
    for stored, fragment in found:
        site = stored.measurement.site.name
        if id(fragment) not in chosen:
            left_out[site] += 1
            continue
        name = fragment_name(fragment, stored.names)
        number = stored.fragment_ids[stored.measurement.fragments.index(fragment)]
        tiles[site, _day(stored)].append(
            Tile(
                name=name,
                genotype=genotypes.get(name, ""),
                picture=album.small(stored, fragment),
                words=state_words(fragment) + (", marked wrong" if marked_wrong(fragment.doubts) else ""),
                change=_change(histories.get(name), number),
                look=needs_look(fragment.doubts),
                doubts=tuple(doubt.kind.title for doubt in by_weight(fragment.doubts) if needs_look([doubt])),
            )
        )
    sites = tuple(
        SiteTiles(Visit(site, on, ()).title, tuple(members))
        for (site, on), members in sorted(tiles.items(), key=lambda item: (natural_key(item[0][0]), item[0][1]))
    )
    return Section("fragments", "The fragments", Fragments(sites, _left_out_words(left_out)))


def _day(one: StoredMeasurement) -> date:
    taken = one.measurement.taken_at
    assert taken is not None, "photos of some days have a date"
    return taken.date()


def _days_of(week: Week, site: str) -> Iterable[date]:
    return (_day(one) for one in week.seen.stored if one.measurement.site.name == site)


def _left_out_words(left_out: Mapping[str, int]) -> str:
    if not left_out:
        return ""
    where = ", ".join(f"{count} of {site or 'no site'}" for site, count in list(left_out.items())[:_SITES_NAMED])
    if len(left_out) > _SITES_NAMED:
        where += f" and others of {len(left_out) - _SITES_NAMED} more sites"
    return (
        f"{sum(left_out.values())} more are not pictured, to keep the file small: {where}. fragarea table lists all."
    )


def _histories(view: GrowthView, names: set[str]) -> dict[str, FragmentHistory]:
    """Histories of some fragments only; those of all could be a million points."""
    columns = view.record.columns
    wanted = [number for number, head in enumerate(columns.heads) if head.fragment in names]
    found = view.record.histories(np.isin(columns.fragment, wanted))
    return {one.fragment: one for one in found if one.fragment in names}


def _change(history: FragmentHistory | None, fragment_id: int) -> tuple[str, ...]:
    """What became of the area since the visit before, with its uncertainty at 95 %, and when that was."""
    points = history.points if history is not None else ()
    now = next((point for point in points if point.fragment_id == fragment_id), None)
    if now is None or now.marked_wrong:
        return ()
    earlier = [p for p in points if p.taken_at.date() < now.taken_at.date() and p.area_mm2 > 0 and not p.marked_wrong]
    if not earlier:
        return ()
    then = earlier[-1]
    if now.area_mm2 == 0:
        return format_area(then.area_mm2, COVERAGE_FACTOR * then.area_u_mm2), f"on {then.taken_at:%Y-%m-%d}"
    return _difference(then, now), f"since {then.taken_at:%Y-%m-%d}"


def _difference(before: AreaPoint, now: AreaPoint) -> str:
    rates = rates_over((before, now))
    assert rates is not None, "the points have different days"
    months = rates.days / DAYS_PER_MONTH
    change, u = round_pair(
        rates.growth_cm2_per_month * months, COVERAGE_FACTOR * rates.growth_u_cm2_per_month * months
    )
    sign = "−" if change.startswith("-") else "+"
    return f"{sign}{change.removeprefix('-')} ± {u} cm²"


Builder = Callable[[Week, Album], Section | None]

BUILDERS: tuple[Builder, ...] = (
    photographed,
    changed,
    look_first,
    exchanges,
    growth,
    to_outplant,
    pads,
    check,
    doubts,
    fragments,
)
"""The sections in the order of the page. Pictures have room in the order in which they are asked for."""
