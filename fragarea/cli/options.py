"""Options that several commands share."""

from __future__ import annotations

import math
import os
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fragarea.errors import SettingsProblem
from fragarea.reference.lens import LensProfile, load_lens

if TYPE_CHECKING:
    from fragarea.nursery import Nursery
    from fragarea.nursery_view import NurseryView


def _nursery(_context: click.Context, _option: click.Parameter, value: Path | None) -> Path | None:
    if value is None:
        return None
    from fragarea.nursery import find_nursery

    return find_nursery(existing(value))


def existing(place: Path) -> Path:
    """The place itself; an error where there is no such file or folder."""
    if not place.exists():
        raise SettingsProblem(f"{place}: there is no such file or folder. Check its name.")
    return place


nursery_option = click.option(
    "--nursery",
    type=click.Path(path_type=Path),
    callback=_nursery,
    default=None,
    help="Nursery folder whose logbook keeps the result. Default: none, nothing is kept.",
)


def nursery_argument(function: Any) -> Any:
    """The nursery folder as first argument; the one that holds the working folder by default."""
    return click.argument("nursery", type=click.Path(path_type=Path), default=Path(), callback=_nursery)(function)


def find_lens(name: str, nursery: Path | None) -> LensProfile | None:
    """A lens profile by the name it has in the nursery's lenses/, or by its file; None for an empty name."""
    if not name:
        return None
    as_file = Path(name)
    if as_file.suffix.lower() == ".json":
        return load_lens(as_file)
    if nursery is None:
        raise SettingsProblem(f"--lens {name}: give the profile's file, or --nursery to look in its lenses/.")
    path = nursery / "lenses" / f"{name}.json"
    if not path.is_file():
        known = ", ".join(sorted(p.stem for p in path.parent.glob("*.json"))) or "none"
        raise SettingsProblem(f"--lens {name}: not in {path.parent}. Known there: {known}.")
    return load_lens(path)


DAY = click.DateTime(["%Y-%m-%d"])


class FiniteRange(click.FloatRange):
    """A number between two limits; not ``nan``, which every comparison lets pass."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not math.isfinite(float(super().convert(value, param, ctx))):
            self.fail(f"{value!r} is not a number.", param, ctx)
        return super().convert(value, param, ctx)


class Lag(FiniteRange):
    """Days, or ``auto``."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return value if value == "auto" else super().convert(value, param, ctx)


decimal_option = click.option(
    "--decimal", type=click.Choice([".", ","]), default=".", show_default=True, help="Decimal sign in CSV files."
)
replace_option = click.option("--replace", is_flag=True, help="Overwrite files.")


def check_site(settings: Nursery, site: str | None) -> None:
    """Complain of a site that nursery.toml does not describe."""
    if site is not None and settings.site(site) is None:
        known = ", ".join(one.name for one in settings.sites) or "none"
        raise SettingsProblem(f"--site {site}: not described in nursery.toml. Known: {known}.")


def day_options(function: Any) -> Any:
    """``--site``, ``--since`` and ``--until``."""
    for option in (
        click.option("--until", type=DAY, metavar="DATE", help="Only visits up to this day (2026-03-31)."),
        click.option("--since", type=DAY, metavar="DATE", help="Only visits from this day on (2026-03-01)."),
        click.option("--site", default=None, help="Only this site. Default: all."),
    ):
        function = option(function)
    return function


budget_option = click.option(
    "--budget", is_flag=True, help="Show the uncertainty budget of every area (JCGM 100:2008)."
)


def usual_workers() -> int:
    """One process a core that this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def open_view(nursery: Path, site: str | None, since: datetime | None, until: datetime | None) -> NurseryView:
    """Measurements of a nursery folder, by site and days."""
    from fragarea.logbook import open_logbook
    from fragarea.nursery import load_nursery, load_tables
    from fragarea.nursery_view import logbook_path, view_nursery

    settings = load_nursery(nursery)
    check_site(settings, site)
    with open_logbook(logbook_path(settings), create=False) as logbook:
        return view_nursery(
            logbook,
            settings,
            load_tables(settings),
            site=site,
            since=since.date() if since else None,
            until=until.date() if until else None,
        )


by_option = click.option("--by", default="", metavar="NAME", help="Who says so.")
because_option = click.option("--because", default="", metavar="TEXT", help="Why.")

LONGEST_REASON = 500


def said(by: str, because: str) -> tuple[str, str]:
    """Who and why in tidy letters; an error where one is missing, or would not stand in a table."""
    from fragarea.nursery.words import MAX_LETTERS, fault_in_text, tidy

    if not (tidy(by) and tidy(because)):
        raise click.UsageError("say who and why: --by NAME --because TEXT.")
    for option, text, longest in (("--by", by, MAX_LETTERS), ("--because", because, LONGEST_REASON)):
        if fault := fault_in_text(tidy(text), longest=longest):
            raise SettingsProblem(f"{option} {tidy(text)[:40]!r} {fault}.")
    return tidy(by), tidy(because)
