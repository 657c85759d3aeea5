"""Photo files under the places that a user named, and how the logbook calls them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from functools import lru_cache
from pathlib import Path

from fragarea.photo import looks_like_photo


def find_photos(places: Iterable[Path]) -> list[Path]:
    """Photos among files and, at any depth, folders; hidden ones left out, each once, in order of path.

    Links to folders are followed, since photos often lie on another disk, but no folder is entered twice, so that a
    loop of links ends. A folder that cannot be opened is itself in the list: planning refuses it by name.
    """
    found: set[Path] = set()
    entered: set[tuple[int, int]] = set()
    for place in places:
        found.update(_inside(place, entered) if place.is_dir() else [place])
    return sorted(found)


def _inside(folder: Path, entered: set[tuple[int, int]]) -> Iterator[Path]:
    try:
        facts = folder.stat()
        entries = sorted(os.scandir(folder), key=lambda entry: (entry.is_symlink(), entry.name))
    except OSError:
        yield folder
        return
    if (facts.st_dev, facts.st_ino) in entered:
        return
    entered.add((facts.st_dev, facts.st_ino))
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if _is_folder(entry):
            yield from _inside(folder / entry.name, entered)
        elif looks_like_photo(entry.name):
            yield folder / entry.name


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:
        return False  # a link that leads in a circle; as a photo it is refused by name


def logbook_path_of(file: Path, folder: Path) -> str:
    """How the logbook names a file: relative to the nursery folder, with ``/``, where it lies inside.

    The file and the folders between are named as they stand, links or not, so that ``photos/TRAY-1`` keeps its name
    when it moves to another disk. Bytes of a name that are not UTF-8 are written ``\\xff``.
    """
    where = _folder_name(file.parent, folder)
    name = Path(where) / file.name if where is not None else _written(file)
    return os.fsencode(name.as_posix()).decode("utf-8", "backslashreplace")


@lru_cache(maxsize=4096)
def _folder_name(folder: Path, nursery: Path) -> str | None:
    """A folder relative to the nursery; None outside."""
    whole = _written(folder)
    root = nursery.resolve()
    inside = next((parent for parent in (whole, *whole.parents) if parent.resolve() == root), None)
    return None if inside is None else whole.relative_to(inside).as_posix()


def _written(path: Path) -> Path:
    """The whole path with its links as they stand."""
    return Path(os.path.normpath(path.absolute()))
