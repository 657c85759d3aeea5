"""The placements file of a nursery, replaced in one step; the former one is kept."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from fragarea.errors import SettingsProblem
from fragarea.nursery import Fragment, Nursery, Placement, read_placements
from fragarea.nursery.exchanging import PlacementChange
from fragarea.nursery.table_file import find_table, read_raw

FORMER = "former-tables"


@dataclass(frozen=True)
class TableFile:
    """The placements file as it was read.

    Attributes
    ----------
    path : Path
    content : bytes
    """

    path: Path
    content: bytes

    @property
    def sha256(self) -> str:
        """Hash of its bytes."""
        return hashlib.sha256(self.content).hexdigest()


def placements_file(nursery: Nursery) -> TableFile:
    """The placements file of a nursery.

    Raises
    ------
    SettingsProblem
        If there is none.
    TableProblem
        If it cannot be read.
    """
    path = find_table(nursery.folder, "placements")
    if path is None:
        raise SettingsProblem(
            f"{nursery.folder}: there is no placements.csv or placements.xlsx, so nothing says who stands where."
        )
    return TableFile(path, read_raw(path))


def placements_in(
    content: bytes, like: TableFile, fragments: Iterable[Fragment], nursery: Nursery
) -> tuple[Placement, ...]:
    """What a placements file of this content would say; raises TableProblem with its faults."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / like.path.name
        path.write_bytes(content)
        return read_placements(path, fragments, nursery)


def keep_former(table: TableFile, nursery: Nursery, at: datetime) -> str:
    """Copy a table into the folder of former ones.

    Returns
    -------
    str
        Its name, relative to the nursery folder.

    Raises
    ------
    SettingsProblem
    """
    name = f"{table.path.stem} {at:%Y-%m-%d %H%M%S}"
    folder = nursery.folder / FORMER
    with _told(folder):
        folder.mkdir(exist_ok=True)
        target = folder / f"{name}{table.path.suffix}"
        number = 2
        while target.exists():
            target, number = folder / f"{name} {number}{table.path.suffix}", number + 1
        _write(target, table.content)
    return target.relative_to(nursery.folder).as_posix()


def replace_table(table: TableFile, content: bytes) -> None:
    """Put other content in place of a table's, whole or not at all.

    Raises
    ------
    SettingsProblem
        If the file has changed since it was read, or cannot be written.
    """
    if content == table.content:
        return
    # where the table is a link, what it leads to is replaced
    path = table.path.resolve()
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    with _told(table.path):
        with path.open("r+b") as file:  # a table that may not be written is not replaced either
            now = file.read()
        if now != table.content:
            raise SettingsProblem(
                f"{table.path.name}: the file has been changed just now, so nothing was done. Run the command again."
            )
        try:
            _write(partial, content)
            shutil.copymode(path, partial)
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)


def change_record(
    table: TableFile, content: bytes, changes: Iterable[PlacementChange], *, former: str
) -> dict[str, Any]:
    """A change of the table as plain JSON values, for the logbook."""
    return {
        "file": table.path.name,
        "former": former,
        "sha256_before": table.sha256,
        "sha256_after": replace(table, content=content).sha256,
        "changes": [{"before": _plain(one.before), "after": _plain(one.after)} for one in changes],
    }


def changes_in(record: Mapping[str, Any]) -> tuple[PlacementChange, ...]:
    """The lines that a change of :func:`change_record` was about."""
    return tuple(
        PlacementChange(None if one["before"] is None else _placement(one["before"]), _placement(one["after"]))
        for one in record["changes"]
    )


def former_content(nursery: Nursery, table: TableFile, record: Mapping[str, Any]) -> bytes | None:
    """The table as it was before a change of :func:`change_record`; None where something else has changed since."""
    former = nursery.folder / record["former"]
    if table.path.name != record["file"] or table.sha256 != record["sha256_after"] or not former.is_file():
        return None
    kept = TableFile(former, former.read_bytes())
    return kept.content if kept.sha256 == record["sha256_before"] else None


def _plain(placement: Placement | None) -> dict[str, Any] | None:
    if placement is None:
        return None
    until = placement.until.isoformat() if placement.until else None
    return {**asdict(placement), "since": placement.since.isoformat(), "until": until}


def _placement(plain: Mapping[str, Any]) -> Placement:
    until = date.fromisoformat(plain["until"]) if plain["until"] else None
    return Placement(**{**plain, "since": date.fromisoformat(plain["since"]), "until": until})


def _write(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise SettingsProblem(
            f"{path}: cannot be written ({error.strerror}), so nothing was done. Close it in other programs, and"
            " check that you may write to the folder."
        ) from error
