"""Opening a logbook: the engine, its transactions, and errors a person can act on."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.parse import quote

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from fragarea.errors import LogbookProblem
from fragarea.logbook.upgrading import SCHEMA, schema_of, upgrade

BUSY_TIMEOUT_S = 30.0
"""How long one program waits for another that is writing."""

_SQLITE_HEADER = b"SQLite format 3\0"


@dataclass(frozen=True, eq=False)
class Logbook:
    """An open logbook; close it, or use it in a ``with`` statement.

    Attributes
    ----------
    engine : sqlalchemy.Engine
    name : str
        As errors call it.
    path : Path or None
        The SQLite file; None on a database server.
    read_only : bool
        Whether its file or folder may not be written.
    """

    engine: sa.Engine
    name: str
    path: Path | None
    read_only: bool = False

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """One consistent view of the logbook, whatever others write meanwhile.

        Raises
        ------
        LogbookProblem
        """
        with _told(self.name), self.engine.begin() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """One transaction: all that is written inside is kept, or nothing.

        Raises
        ------
        LogbookProblem
        """
        with _told(self.name), self.engine.execution_options(writing=True).begin() as connection:
            yield connection

    def close(self) -> None:
        """Let go of the file; what was recorded is kept."""
        self.engine.dispose()

    def __enter__(self) -> Logbook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_logbook(where: Path | str, *, create: bool = True) -> Logbook:
    """Open a logbook, making it or bringing it up to this program's version first.

    A logbook of an older version is copied beside itself before it is changed, and the change is made whole or not
    at all.

    Parameters
    ----------
    where : Path or str
        SQLite file, or the URL of a database (``postgresql+psycopg://host/name``) that several sites share.
    create : bool
        False: a file that is not there is an error, and one that may not be written is opened for reading only.

    Returns
    -------
    Logbook

    Raises
    ------
    LogbookProblem
        If it cannot be opened, is no logbook, was made by a newer program, or is locked for `BUSY_TIMEOUT_S`.
    """
    on_server = isinstance(where, str) and "://" in where
    logbook = _on_server(str(where)) if on_server else _in_file(Path(where), create=create)
    try:
        _prepare(logbook)
    except BaseException:
        logbook.close()
        raise
    return logbook


def backup(logbook: Logbook, to: Path) -> Path:
    """Copy a logbook as it stands, also while a batch is writing to it.

    Parameters
    ----------
    to : Path
        File that does not exist yet.

    Returns
    -------
    Path
        `to`.

    Raises
    ------
    LogbookProblem
        If the file exists or cannot be written, or the logbook lies on a database server.
    """
    if logbook.path is None:
        raise LogbookProblem(f"{logbook.name}: a database server has its own tools for backups. Use those.")
    if to.exists():
        raise LogbookProblem(f"{to}: there is a file of this name already. Give another name for the copy.")
    unfinished = to.with_name(to.name + ".part")
    with _told(str(to)):
        unfinished.unlink(missing_ok=True)
        _copy(logbook.path, unfinished)
        unfinished.replace(to)
    return to


def unsound(logbook: Logbook) -> tuple[str, ...]:
    """What is wrong inside the file, in the database's own words; empty for a sound logbook."""
    if logbook.path is None:
        return ()
    with logbook.reading() as connection:
        pages = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check")]
        links = [
            f"{row[0]}: a row points to one that is not there"
            for row in connection.exec_driver_sql("PRAGMA foreign_key_check")
        ]
    return tuple(line for line in pages if line != "ok") + tuple(links)


def _on_server(url: str) -> Logbook:
    try:
        engine = sa.create_engine(url, pool_pre_ping=True)
    except (SQLAlchemyError, ImportError) as error:
        raise LogbookProblem(f"The logbook's address cannot be used ({error}). Check it, and its driver.") from error
    return Logbook(engine, engine.url.render_as_string(hide_password=True), None)


def _in_file(given: Path, *, create: bool) -> Logbook:
    path = given.absolute()
    if path.is_dir():
        raise LogbookProblem(f"{given}: this is a folder. Give the logbook's file.")
    if not path.exists() and not create:
        raise LogbookProblem(f"{given}: there is no logbook yet. Measure some photos first.")
    if not path.parent.is_dir():
        raise LogbookProblem(f"{given}: its folder does not exist. Make it first, or check the name.")
    _check_is_sqlite(path, str(given))
    read_only = not create and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))
    url = _to_read(path) if read_only else sa.URL.create("sqlite", database=str(path))
    engine = sa.create_engine(url, connect_args={"timeout": BUSY_TIMEOUT_S})
    sa.event.listen(engine, "connect", _on_connect)
    sa.event.listen(engine, "begin", _on_begin)
    return Logbook(engine, str(given), path, read_only)


def _to_read(path: Path) -> sa.URL:
    """Address of a file that may only be read; without a log beside it nobody can be writing."""
    log = path.with_name(path.name + "-wal")
    settled = not log.exists() or log.stat().st_size == 0
    options = {"mode": "ro", "uri": "true"} | ({"immutable": "1"} if settled else {})
    return sa.URL.create("sqlite", database=f"file:{quote(str(path))}", query=options)


def _check_is_sqlite(path: Path, name: str) -> None:
    try:
        with path.open("rb") as file:
            start = file.read(len(_SQLITE_HEADER))
    except FileNotFoundError:
        return
    except OSError as error:
        raise LogbookProblem(f"{name}: cannot be read ({error.strerror}). Check its permissions.") from error
    if start not in (b"", _SQLITE_HEADER):
        raise LogbookProblem(f"{name}: this file is not a logbook. Move it away, or give another name.")


def _on_connect(connection: Any, _: Any) -> None:
    # The driver must not begin and end transactions by itself, or changes of the schema would fall outside them.
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")
    # With write-ahead logging: a finished photo survives a power cut too, for a few milliseconds a photo.
    connection.execute("PRAGMA synchronous = FULL")


def _on_begin(connection: sa.Connection) -> None:
    # A writer asks for the lock at once: one that reads first and then writes could not wait for another.
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _prepare(logbook: Logbook) -> None:
    if logbook.path is not None and not logbook.read_only:
        with _told(logbook.name):
            _log_ahead(logbook.path)
    with logbook.reading() as connection:
        version = schema_of(connection, logbook.name)
    if version == SCHEMA:
        return
    if logbook.read_only:
        raise LogbookProblem(
            f"{logbook.name}: it must be brought up to this version of the program, and may not be written. "
            "Copy the nursery folder to where you may write, or ask for permission."
        )
    if version and logbook.path is not None:
        copy = logbook.path.with_name(f"{logbook.path.stem}-version-{version}{logbook.path.suffix}")
        if not copy.exists():
            backup(logbook, copy)
    with logbook.writing() as connection:
        upgrade(connection, logbook.name)


def _log_ahead(path: Path) -> None:
    """Switch to write-ahead logging, so that reports can be read while a batch writes."""
    patience = time.monotonic() + BUSY_TIMEOUT_S
    connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S)
    try:
        while connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            try:
                connection.execute("PRAGMA journal_mode = WAL")
                return  # a file system without shared memory stays with its own mode
            except sqlite3.OperationalError:
                # Two programs making the same logbook: the switch fails at once instead of waiting.
                if time.monotonic() > patience:
                    raise
                time.sleep(0.05)
    finally:
        connection.close()


def _copy(source: Path, target: Path) -> None:
    reader, writer = sqlite3.connect(source, timeout=BUSY_TIMEOUT_S), sqlite3.connect(target)
    try:
        reader.backup(writer)
    finally:
        writer.close()
        reader.close()


_ADVICE = (
    ("locked", "another program is writing to it. Wait until it has finished, and run the command again"),
    ("busy", "another program is writing to it. Wait until it has finished, and run the command again"),
    ("readonly", "it may not be written. Check the permissions of the file and its folder"),
    ("unable to open", "it cannot be opened. Check the permissions of the file and its folder"),
    ("full", "the disk is full. Make room, and run the command again; what was recorded is kept"),
    ("malformed", "the file is damaged. Keep it, and go on from the latest backup"),
    ("not a database", "this file is not a logbook. Move it away, or give another name"),
    ("disk I/O", "the disk reports an error. Copy the file to another disk before anything else"),
)


@contextmanager
def _told(name: str) -> Iterator[None]:
    """Turn what a database driver raises into advice."""
    try:
        yield
    except DBAPIError as error:
        raise LogbookProblem(_advice(name, str(error.orig))) from error
    except (sqlite3.Error, OSError) as error:
        raise LogbookProblem(_advice(name, str(error))) from error


def _advice(name: str, message: str) -> str:
    advice = next((advice for word, advice in _ADVICE if word in message), None)
    return f"{name}: {advice}." if advice else f"{name}: the logbook cannot be used ({message})."
