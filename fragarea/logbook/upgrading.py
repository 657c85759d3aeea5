"""The version of a logbook, and the way from an older one to this program's."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from fragarea.errors import LogbookProblem

SCHEMA = "0007"
"""Version that this program reads and writes: the last migration."""

VERSION_TABLE = "logbook_version"

MIGRATIONS = Path(__file__).resolve().parent / "migrations"


def schema_of(connection: sa.Connection, name: str) -> str:
    """Version of an open logbook; empty for a database without tables.

    Raises
    ------
    LogbookProblem
        If it is newer than this program, or another program's database.
    """
    tables = sa.inspect(connection).get_table_names()
    if not tables:
        return ""
    version = _version(connection) if VERSION_TABLE in tables else None
    if version is None:
        raise LogbookProblem(f"{name}: this database belongs to another program. Give another name for the logbook.")
    if version > SCHEMA:
        raise LogbookProblem(
            f"{name}: this logbook was made by a newer version of the program (logbook version {version}, this "
            f"program knows {SCHEMA}). Update the program; nothing was changed."
        )
    return version


def _version(connection: sa.Connection) -> str | None:
    table = sa.table(VERSION_TABLE, sa.column("version_num"))
    return connection.execute(sa.select(table.c.version_num)).scalar()


def upgrade(connection: sa.Connection, name: str, *, migrations: Path = MIGRATIONS, to: str = SCHEMA) -> None:
    """Apply the migrations that a logbook lacks, inside the connection's transaction.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        In a transaction; where any migration fails, its end takes all of them back.
    name : str
        For errors.
    migrations : Path
        Folder with ``env.py`` and ``versions/``.
    to : str
        Version wanted.

    Raises
    ------
    LogbookProblem
        If no way leads from the logbook's version to that one.
    """
    # Loaded only when needed: most commands find the logbook up to date.
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(migrations).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes.update(connection=connection, version_table=VERSION_TABLE)
    try:
        command.upgrade(config, to)
    except CommandError as error:
        raise LogbookProblem(f"{name}: this logbook's version is not known ({error}). Restore a backup.") from error
