"""The tables of the logbook. Columns carry their units; the first schema is migration 0001.

Times of the program are UTC, times of photos are the camera's wall clock with its offset from UTC beside it, both as
ISO 8601 text, so that SQLite and PostgreSQL order and keep them alike.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from sqlalchemy.types import TypeDecorator


class StoredText(TypeDecorator[str]):
    """Text that any database takes: file names and camera names may hold broken bytes, or NUL."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Any) -> str | None:
        """As :func:`storable`."""
        return None if value is None else storable(value)


def storable(text: str) -> str:
    """The text as a database gives it back: a mark replaces each letter that UTF-8 cannot hold, and NUL."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "\ufffd")


metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

photos = sa.Table(
    "photos",
    metadata,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("name", StoredText, nullable=False),
    sa.Column("path", StoredText, nullable=False),
    sa.Column("first_seen_at_utc", sa.String(32), nullable=False),
    sa.Column("camera_make", StoredText),
    sa.Column("camera_model", StoredText),
    sa.Column("focal_equiv_mm", sa.Double),
    sa.Column("focal_mm", sa.Double),
    sa.Column("width_px", sa.Integer),
    sa.Column("height_px", sa.Integer),
)

photo_names = sa.Table(
    "photo_names",
    metadata,
    sa.Column("path", StoredText, primary_key=True),
    sa.Column("sha256", sa.String(64), sa.ForeignKey("photos.sha256"), primary_key=True),
    sa.Column("first_seen_at_utc", sa.String(32), nullable=False),
)

measurements = sa.Table(
    "measurements",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("sha256", sa.String(64), sa.ForeignKey("photos.sha256")),
    sa.Column("photo", StoredText, nullable=False),
    sa.Column("path", StoredText, nullable=False),
    sa.Column("outcome", sa.String(16), nullable=False),
    sa.Column("is_current", sa.Boolean, nullable=False),
    sa.Column("supersedes", sa.Integer, sa.ForeignKey("measurements.id")),
    sa.Column("software_version", sa.String(32), nullable=False),
    sa.Column("recorded_at_utc", sa.String(32), nullable=False),
    sa.Column("settings_hash", sa.String(64), nullable=False),
    sa.Column("settings", sa.JSON(none_as_null=True)),
    sa.Column("site_settings", sa.JSON(none_as_null=True)),
    sa.Column("site", StoredText, nullable=False),
    sa.Column("taken_at", sa.String(32)),
    sa.Column("utc_offset_min", sa.Double),
    sa.Column("taken_at_source", sa.String(16)),
    sa.Column("method", sa.String(32)),
    sa.Column("reference", StoredText),
    sa.Column("mm_per_px", sa.Double),
    sa.Column("camera_height_mm", sa.Double),
    sa.Column("tilt_deg", sa.Double),
    sa.Column("plug_top_mm", sa.Double),
    sa.Column("plug_top_source", sa.String(16)),
    sa.Column("tags_seen", sa.Integer),
    sa.Column("tags_used", sa.Integer),
    sa.Column("rms_px", sa.Double),
    sa.Column("plane", sa.JSON(none_as_null=True)),
    sa.Column("history_compared", sa.Boolean, nullable=False),
    sa.Column("refused_kind", sa.String(32)),
    sa.Column("refused_cause", StoredText),
    sa.Column("refused_remedy", StoredText),
    sa.Column("try_again", sa.Boolean, nullable=False),
    sa.Index("ix_measurements_sha256", "sha256"),
    sa.Index("ix_measurements_site_taken_at", "site", "taken_at"),
    # One current row a photo, whatever two programs at once may try.
    sa.Index(
        "ix_measurements_current",
        "sha256",
        unique=True,
        sqlite_where=sa.text("is_current"),
        postgresql_where=sa.text("is_current"),
    ),
)

fragment_measurements = sa.Table(
    "fragment_measurements",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("measurement_id", sa.Integer, sa.ForeignKey("measurements.id"), nullable=False),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("fragment", StoredText),
    sa.Column("row_number", sa.Integer),
    sa.Column("column_number", sa.Integer),
    sa.Column("label", StoredText, nullable=False),
    sa.Column("centre_x_mm", sa.Double, nullable=False),
    sa.Column("centre_y_mm", sa.Double, nullable=False),
    sa.Column("plug_radius_mm", sa.Double),
    sa.Column("status", sa.String(16), nullable=False),
    sa.Column("area_mm2", sa.Double),
    sa.Column("area_u_mm2", sa.Double),
    sa.Column("expanded_mm2", sa.Double),
    sa.Column("budget", sa.JSON(none_as_null=True), nullable=False),
    sa.Column("bleached_mm2", sa.Double),
    sa.Column("dead_mm2", sa.Double),
    sa.Column("edge_height_mm", sa.Double),
    sa.Column("confidence", sa.Double),
    sa.UniqueConstraint("measurement_id", "number", name="uq_fragment_measurements_number"),
    sa.Index("ix_fragment_measurements_fragment", "fragment"),
)

# Apart from the numbers, so that a table of areas reads no outline.
outlines = sa.Table(
    "outlines",
    metadata,
    sa.Column("fragment_measurement_id", sa.Integer, sa.ForeignKey("fragment_measurements.id"), primary_key=True),
    sa.Column("live_mm_wkb", sa.LargeBinary, nullable=False),
    sa.Column("bleached_mm_wkb", sa.LargeBinary, nullable=False),
    sa.Column("dead_mm_wkb", sa.LargeBinary, nullable=False),
)

doubts = sa.Table(
    "doubts",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("measurement_id", sa.Integer, sa.ForeignKey("measurements.id"), nullable=False),
    sa.Column("fragment_measurement_id", sa.Integer, sa.ForeignKey("fragment_measurements.id")),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("key", sa.String(40), nullable=False),
    sa.Column("detail", StoredText, nullable=False),
    # "photo": seen when measuring; "history", "exchange": found by comparing with other visits, and found anew when
    # those change; "person": a mark, kept among the edits
    sa.Column("source", sa.String(16), nullable=False),
    sa.Index("ix_doubts_measurement_id", "measurement_id"),
    sa.Index("ix_doubts_fragment_measurement_id", "fragment_measurement_id"),
)

checks = sa.Table(
    "checks",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("taken_on", sa.String(10), nullable=False),
    sa.Column("reference", StoredText, nullable=False),
    sa.Column("site", StoredText, nullable=False),
    sa.Column("verdict", StoredText, nullable=False),
    sa.Column("bias_percent", sa.Double),
    sa.Column("bias_u_percent", sa.Double),
    sa.Column("result", sa.JSON(none_as_null=True), nullable=False),
    sa.Column("software_version", sa.String(32), nullable=False),
    sa.Column("recorded_at_utc", sa.String(32), nullable=False),
)

print_checks = sa.Table(
    "print_checks",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("reference", StoredText, nullable=False),
    sa.Column("nominal_mm", sa.Double, nullable=False),
    sa.Column("measured_mm", sa.JSON(none_as_null=True), nullable=False),
    sa.Column("factor", sa.Double, nullable=False),
    sa.Column("factor_u_rel", sa.Double, nullable=False),
    sa.Column("checked_on", sa.String(10), nullable=False),
    sa.Column("checked_by", StoredText, nullable=False),
    sa.Column("software_version", sa.String(32), nullable=False),
    sa.Column("recorded_at_utc", sa.String(32), nullable=False),
    sa.Index("ix_print_checks_reference", "reference"),
)

# Checks that were entered wrongly stay where they are; a row here says that they no longer count.
withdrawals = sa.Table(
    "withdrawals",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("check_id", sa.Integer, sa.ForeignKey("checks.id")),
    sa.Column("print_check_id", sa.Integer, sa.ForeignKey("print_checks.id")),
    sa.Column("software_version", sa.String(32), nullable=False),
    sa.Column("recorded_at_utc", sa.String(32), nullable=False),
)

edits = sa.Table(
    "edits",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("fragment_measurement_id", sa.Integer, sa.ForeignKey("fragment_measurements.id"), nullable=False),
    sa.Column("edited_at_utc", sa.String(32), nullable=False),
    sa.Column("edited_by", StoredText, nullable=False),
    sa.Column("reason", StoredText, nullable=False),
    sa.Column("old_row", sa.JSON(none_as_null=True), nullable=False),
    sa.Column("new_fragment", StoredText),
    sa.Column("new_outline_mm_wkb", sa.LargeBinary),
    # true: the measurement is wrong; false: it is not, after all; null: the edit says nothing about it
    sa.Column("marked_wrong", sa.Boolean),
    sa.Index("ix_edits_fragment_measurement_id", "fragment_measurement_id"),
)

# What people decided about fragments that seemed to have changed places; a row that takes back another ends it.
exchange_decisions = sa.Table(
    "exchange_decisions",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("site", StoredText, nullable=False),
    sa.Column("day", sa.String(10), nullable=False),
    sa.Column("fragments", sa.JSON(none_as_null=True), nullable=False),
    sa.Column("verdict", sa.String(20), nullable=False),
    sa.Column("odds", sa.Double),
    sa.Column("decided_by", StoredText, nullable=False),
    sa.Column("reason", StoredText, nullable=False),
    sa.Column("table_change", sa.JSON(none_as_null=True)),
    sa.Column("takes_back", sa.Integer, sa.ForeignKey("exchange_decisions.id")),
    sa.Column("software_version", sa.String(32), nullable=False),
    sa.Column("decided_at_utc", sa.String(32), nullable=False),
)

# What is known of files without opening them again; can be emptied at any time.
file_hashes = sa.Table(
    "file_hashes",
    metadata,
    sa.Column("path", StoredText, primary_key=True),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    sa.Column("modified_ns", sa.BigInteger, nullable=False),
    sa.Column("sha256", sa.String(64), nullable=False),
)

# What growth reads and derives of each photo, so that no budget is parsed and no outline is read twice; both can be
# emptied at any time.
packed_areas = sa.Table(
    "packed_areas",
    metadata,
    sa.Column("measurement_id", sa.Integer, sa.ForeignKey("measurements.id"), primary_key=True),
    sa.Column("form", sa.Integer, nullable=False),
    sa.Column("packed", sa.LargeBinary, nullable=False),
)

compared_visits = sa.Table(
    "compared_visits",
    metadata,
    sa.Column("site", StoredText, primary_key=True),
    sa.Column("day", sa.String(10), primary_key=True),
    # of the measurements and names that were compared; others make the comparison void
    sa.Column("state", sa.String(32), nullable=False),
    sa.Column("exchanges", sa.JSON(none_as_null=True), nullable=False),
)

# What fusion derives from the outlines of a pad's photo; can be emptied at any time.
pad_visits = sa.Table(
    "pad_visits",
    metadata,
    sa.Column("measurement_id", sa.Integer, sa.ForeignKey("measurements.id"), primary_key=True),
    # of the program, the rules and the names that it was derived with; others make it void
    sa.Column("state", sa.String(32), nullable=False),
    sa.Column("packed", sa.LargeBinary, nullable=False),
)

weekly_reports = sa.Table(
    "weekly_reports",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("first_day", sa.String(10), nullable=False),
    sa.Column("last_day", sa.String(10), nullable=False),
    sa.Column("said", sa.JSON(none_as_null=True), nullable=False),
    sa.Column("software_version", sa.String(32), nullable=False),
    sa.Column("recorded_at_utc", sa.String(32), nullable=False),
    sa.Index("ix_weekly_reports_last_day", "last_day"),
)
