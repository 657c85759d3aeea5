"""Hashes of files seen before, so that thousands of old photos are passed over without opening them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import sqlalchemy as sa

from fragarea.logbook.opening import Logbook
from fragarea.logbook.tables import file_hashes


@dataclass(frozen=True)
class FileHash:
    """A file as it was when its content was hashed.

    Attributes
    ----------
    path : str
    size_bytes, modified_ns : int
        As the file system told.
    sha256 : str
    """

    path: str
    size_bytes: int
    modified_ns: int
    sha256: str


def known_hashes(logbook: Logbook) -> dict[str, FileHash]:
    """Every file hashed before, by path."""
    columns = (file_hashes.c.path, file_hashes.c.size_bytes, file_hashes.c.modified_ns, file_hashes.c.sha256)
    with logbook.reading() as connection:
        return {row.path: FileHash(*row) for row in connection.execute(sa.select(*columns))}


def remember_hashes(logbook: Logbook, hashes: Iterable[FileHash]) -> None:
    """Keep hashes, in place of older ones of the same paths; in one transaction."""
    by_path = {one.path: one for one in hashes}
    if not by_path:
        return
    rows = [
        {"path": one.path, "size_bytes": one.size_bytes, "modified_ns": one.modified_ns, "sha256": one.sha256}
        for one in by_path.values()
    ]
    with logbook.writing() as connection:
        outdated = sa.delete(file_hashes).where(file_hashes.c.path == sa.bindparam("old_path"))
        connection.execute(outdated, [{"old_path": path} for path in by_path])
        connection.execute(sa.insert(file_hashes), rows)
