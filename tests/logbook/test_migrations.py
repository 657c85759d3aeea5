"""Logbooks of every version ever shipped open; newer ones are refused; a change is made whole or not at all."""

from __future__ import annotations

import shutil
import sqlite3
from datetime import datetime
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from fragarea import errors
from fragarea.doubts import DOUBTS
from fragarea.errors import LogbookProblem
from fragarea.logbook import backup, current_measurements, current_refusals, open_logbook, opening, record, upgrading
from fragarea.logbook.convert import utc_text
from fragarea.logbook.tables import metadata
from fragarea.logbook.upgrading import MIGRATIONS, SCHEMA, VERSION_TABLE, upgrade
from fragarea.measurement import FragmentStatus
from tests.logbook.samples import content_of, measured

OLDEST = Path(__file__).with_name("version-0001.sql")

NEXT_VERSION = f"{int(SCHEMA) + 1:04d}"
NEXT = f"""
import sqlalchemy as sa
from alembic import op

revision = "{NEXT_VERSION}"
down_revision = "{SCHEMA}"


def upgrade():
    op.add_column("photos", sa.Column("added", sa.Text))
    op.create_table("more", sa.Column("id", sa.Integer, primary_key=True))
    op.execute("UPDATE photos SET added = 'yes'")
    {{last}}
"""


def old_logbook(folder: Path) -> Path:
    """The oldest logbook ever shipped, as it was written then."""
    file = folder / "logbook.sqlite"
    connection = sqlite3.connect(file)
    connection.executescript(OLDEST.read_text(encoding="utf-8"))
    connection.close()
    return file


def with_next(folder: Path, last: str = "") -> Path:
    """The migrations and one more."""
    migrations = folder / "migrations"
    shutil.copytree(MIGRATIONS, migrations, ignore=shutil.ignore_patterns("__pycache__"))
    (migrations / "versions" / f"{NEXT_VERSION}_next.py").write_text(NEXT.format(last=last), encoding="utf-8")
    return migrations


def version_of(file: Path) -> str:
    connection = sqlite3.connect(file)
    try:
        return connection.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchone()[0]
    finally:
        connection.close()


def test_the_oldest_logbook_opens_with_all_its_measurements(tmp_path):
    file = old_logbook(tmp_path)
    with open_logbook(file) as logbook:
        (stored,) = current_measurements(logbook)
        (refused,) = current_refusals(logbook)
        record(logbook, measured("new"))
        assert len(current_measurements(logbook)) == 2
    assert version_of(file) == SCHEMA
    # as the file's own text has them
    assert stored.path == "photos/TRAY-1/IMG_0412.jpg"
    assert [part.live.area_mm2 for part in stored.measurement.fragments] == [100.0, 80.0]
    assert stored.fragment_names == ("F1", None)
    assert refused.refusal.cause == "no tag seen"


def test_the_program_reads_and_writes_the_last_migration():
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_heads() == [SCHEMA]


def test_the_migrations_make_the_tables_that_the_program_uses(tmp_path):
    with open_logbook(tmp_path / "logbook.sqlite") as logbook, logbook.reading() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, metadata) == []


def test_a_newer_logbook_is_refused_and_left_alone(tmp_path):
    file = old_logbook(tmp_path)
    connection = sqlite3.connect(file)
    connection.execute(f"UPDATE {VERSION_TABLE} SET version_num = '0999'")
    connection.commit()
    connection.close()
    before = content_of(file)
    with pytest.raises(LogbookProblem, match=r"made by a newer version .*0999.* Update the program"):
        open_logbook(file)
    assert content_of(file) == before


def test_an_older_logbook_is_copied_then_upgraded(tmp_path, monkeypatch):
    file, migrations = old_logbook(tmp_path), with_next(tmp_path)
    before = content_of(file)
    monkeypatch.setattr(upgrading, "SCHEMA", NEXT_VERSION)
    monkeypatch.setattr(opening, "SCHEMA", NEXT_VERSION)
    monkeypatch.setattr(opening, "upgrade", lambda c, name: upgrade(c, name, migrations=migrations, to=NEXT_VERSION))
    with open_logbook(file) as logbook:
        assert len(current_measurements(logbook)) == 1
    assert version_of(file) == NEXT_VERSION
    copy = tmp_path / "logbook-version-0001.sqlite"
    assert content_of(copy) == before
    connection = sqlite3.connect(file)
    assert set(connection.execute("SELECT added FROM photos")) == {("yes",)}
    connection.close()


def test_a_migration_that_fails_at_its_end_changes_nothing(tmp_path):
    file, migrations = old_logbook(tmp_path), with_next(tmp_path, last='op.execute("INSERT INTO nowhere VALUES (1)")')
    logbook = open_logbook(file)
    before = content_of(file)
    with pytest.raises(LogbookProblem, match="nowhere"), logbook.writing() as connection:
        upgrade(connection, "logbook", migrations=migrations, to=NEXT_VERSION)
    logbook.close()
    assert content_of(file) == before
    assert version_of(file) == SCHEMA


def test_a_version_that_no_migration_knows_is_told(tmp_path):
    file = old_logbook(tmp_path)
    connection = sqlite3.connect(file)
    connection.execute(f"UPDATE {VERSION_TABLE} SET version_num = '0000'")
    connection.commit()
    connection.close()
    with pytest.raises(LogbookProblem, match="version is not known"):
        open_logbook(file)


def test_tables_and_indexes_can_be_made_on_postgresql():
    dialect = postgresql.dialect()
    for table in metadata.sorted_tables:
        assert "CREATE TABLE" in str(CreateTable(table).compile(dialect=dialect))
        for index in table.indexes:
            CreateIndex(index).compile(dialect=dialect)
    current = next(one for one in metadata.tables["measurements"].indexes if one.unique)
    assert "WHERE is_current" in str(CreateIndex(current).compile(dialect=dialect))


def test_columns_of_bounded_length_hold_the_words_that_the_program_writes():
    # SQLite would keep a longer word, PostgreSQL refuses it
    def longest(words):
        return max(map(len, words))

    assert longest(DOUBTS) <= metadata.tables["doubts"].c.key.type.length
    assert longest(FragmentStatus) <= metadata.tables["fragment_measurements"].c.status.type.length
    kinds = [one.__name__ for one in vars(errors).values() if isinstance(one, type)]
    assert longest(kinds) <= metadata.tables["measurements"].c.refused_kind.type.length
    assert (
        longest([utc_text(datetime(2026, 3, 7, 10, 15, 30, 123456))])
        <= metadata.tables["measurements"].c.recorded_at_utc.type.length
    )
    camera_clock = datetime(2026, 3, 7, 10, 15, 30, 123456).isoformat()
    assert len(camera_clock) <= metadata.tables["measurements"].c.taken_at.type.length
    assert longest([measured().settings_hash]) <= metadata.tables["measurements"].c.settings_hash.type.length


def test_a_server_has_no_file_to_copy():
    logbook = opening.Logbook(sa.create_engine("sqlite://"), "postgresql://host/name", None)
    with pytest.raises(LogbookProblem, match="database server has its own tools"):
        backup(logbook, Path("copy.sqlite"))
    logbook.close()
