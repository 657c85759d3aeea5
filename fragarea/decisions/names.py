"""Measured photos after the placements changed: which get other names, and which must be measured again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from fragarea.batch.describe import names_on, placements_hash
from fragarea.logbook import Attribution, Logbook, Place, StoredMeasurement, current_measurements, place_of
from fragarea.measurement import settings_hash
from fragarea.nursery import Nursery, Tables, site_description
from fragarea.sites.records import SiteDescription


@dataclass(frozen=True)
class Renaming:
    """What other placements mean for photos measured before.

    Attributes
    ----------
    attributions : tuple of Attribution
        Photos whose areas only go to other names.
    renamed : tuple of str
        Their paths.
    to_measure : tuple of str
        Paths of photos that must be measured again: their fragments have other heights or plugs now, or they were
        measured with yet other placements.
    """

    attributions: tuple[Attribution, ...] = ()
    renamed: tuple[str, ...] = ()
    to_measure: tuple[str, ...] = ()


def renaming(logbook: Logbook, nursery: Nursery, before: Tables, after: Tables, *, since: date) -> Renaming:
    """What a change of the placements from one day on means for photos measured before.

    Parameters
    ----------
    logbook : Logbook
    nursery : Nursery
    before, after : Tables
    since : date
        First day that is concerned.

    Raises
    ------
    LogbookProblem
    """
    attributions, renamed, to_measure = [], [], []
    for site in sorted({one.site for one in {*before.placements} ^ {*after.placements}}):
        for one in current_measurements(logbook, site=site, since=since, with_outlines=False):
            then, now = recorded_names(before, one), recorded_names(after, one)
            if then == now and _hash(before, one) == _hash(after, one):
                continue
            there = {place_of(fragment) for fragment in one.measurement.fragments}
            by_older = one.names != {place: name for place, name in then.items() if place in there}
            if by_older or _described(nursery, before, one) != _described(nursery, after, one):
                to_measure.append(one.path)
            else:
                attributions.append(_attribution(one, before, after, now))
                renamed.append(one.path)
    return Renaming(tuple(attributions), tuple(renamed), tuple(to_measure))


def recorded_names(tables: Tables, one: StoredMeasurement) -> dict[Place, str]:
    """Who stands where on a photo by the tables."""
    labels = [fragment.label for fragment in one.measurement.fragments if fragment.label]
    return names_on(tables, one.measurement.site.name, _day(one), labels)


def _attribution(
    one: StoredMeasurement, before: Tables, after: Tables, names_now: Mapping[Place, str]
) -> Attribution:
    old = one.measurement.settings
    rows = zip(one.fragment_ids, one.measurement.fragments, one.fragment_names, strict=True)
    names = {
        number: new
        for number, part, name in rows
        if (new := names_now.get(place_of(part))) is not None and new != name
    }
    usual = settings_hash(one.measurement.site, old) == one.measurement.settings_hash
    if not usual or old.placements_hash != _hash(before, one):
        # measured with settings that no longer hold: it stays due to be measured again
        return Attribution(one.measurement_id, names, one.measurement.settings_hash, old.placements_hash)
    new_settings = replace(old, placements_hash=_hash(after, one))
    whole = settings_hash(one.measurement.site, new_settings)
    return Attribution(one.measurement_id, names, whole, new_settings.placements_hash)


def _described(nursery: Nursery, tables: Tables, one: StoredMeasurement) -> SiteDescription:
    """The site with the plugs and heights of the fragments that stand there."""
    return site_description(nursery, one.measurement.site.name, tables=tables, on=_day(one))


def _hash(tables: Tables, one: StoredMeasurement) -> str:
    return placements_hash(tables, one.measurement.site.name, _day(one))


def _day(one: StoredMeasurement) -> date:
    assert one.measurement.taken_at is not None, "photos chosen by their day have one"
    return one.measurement.taken_at.date()
