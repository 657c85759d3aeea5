"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fragarea.errors import SettingsProblem
from fragarea.reference.lens import LensProfile, load_lens


def _nursery(_context: click.Context, _option: click.Parameter, value: Path | None) -> Path | None:
    if value is None:
        return None
    from fragarea.nursery import find_nursery

    try:
        return find_nursery(value)
    except SettingsProblem as problem:
        raise click.BadParameter(str(problem)) from problem


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
