"""The first logbook.

Revision ID: 0001
Revises:
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create all tables."""
    op.create_table(
        "photos",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("first_seen_at_utc", sa.String(32), nullable=False),
        sa.Column("camera_make", sa.Text),
        sa.Column("camera_model", sa.Text),
        sa.Column("focal_equiv_mm", sa.Double),
        sa.Column("focal_mm", sa.Double),
        sa.Column("width_px", sa.Integer),
        sa.Column("height_px", sa.Integer),
    )
    op.create_table(
        "photo_names",
        sa.Column("path", sa.Text, primary_key=True),
        sa.Column("sha256", sa.String(64), sa.ForeignKey("photos.sha256"), primary_key=True),
        sa.Column("first_seen_at_utc", sa.String(32), nullable=False),
    )
    op.create_table(
        "measurements",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("sha256", sa.String(64), sa.ForeignKey("photos.sha256")),
        sa.Column("photo", sa.Text, nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("outcome", sa.String(16), nullable=False),
        sa.Column("is_current", sa.Boolean, nullable=False),
        sa.Column("supersedes", sa.Integer, sa.ForeignKey("measurements.id")),
        sa.Column("software_version", sa.String(32), nullable=False),
        sa.Column("recorded_at_utc", sa.String(32), nullable=False),
        sa.Column("settings_hash", sa.String(64), nullable=False),
        sa.Column("settings", sa.JSON(none_as_null=True)),
        sa.Column("site_settings", sa.JSON(none_as_null=True)),
        sa.Column("site", sa.Text, nullable=False),
        sa.Column("taken_at", sa.String(32)),
        sa.Column("utc_offset_min", sa.Double),
        sa.Column("taken_at_source", sa.String(16)),
        sa.Column("method", sa.String(32)),
        sa.Column("reference", sa.Text),
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
        sa.Column("refused_cause", sa.Text),
        sa.Column("refused_remedy", sa.Text),
        sa.Column("try_again", sa.Boolean, nullable=False),
        sa.Index("ix_measurements_sha256", "sha256"),
        sa.Index("ix_measurements_site_taken_at", "site", "taken_at"),
        sa.Index(
            "ix_measurements_current",
            "sha256",
            unique=True,
            sqlite_where=sa.text("is_current"),
            postgresql_where=sa.text("is_current"),
        ),
    )
    op.create_table(
        "fragment_measurements",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("measurement_id", sa.Integer, sa.ForeignKey("measurements.id"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("fragment", sa.Text),
        sa.Column("row_number", sa.Integer),
        sa.Column("column_number", sa.Integer),
        sa.Column("label", sa.Text, nullable=False),
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
    op.create_table(
        "outlines",
        sa.Column("fragment_measurement_id", sa.Integer, sa.ForeignKey("fragment_measurements.id"), primary_key=True),
        sa.Column("live_mm_wkb", sa.LargeBinary, nullable=False),
        sa.Column("bleached_mm_wkb", sa.LargeBinary, nullable=False),
        sa.Column("dead_mm_wkb", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "doubts",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("measurement_id", sa.Integer, sa.ForeignKey("measurements.id"), nullable=False),
        sa.Column("fragment_measurement_id", sa.Integer, sa.ForeignKey("fragment_measurements.id")),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("key", sa.String(40), nullable=False),
        sa.Column("detail", sa.Text, nullable=False),
        sa.Column("source", sa.String(16), nullable=False),
        sa.Index("ix_doubts_measurement_id", "measurement_id"),
        sa.Index("ix_doubts_fragment_measurement_id", "fragment_measurement_id"),
    )
    op.create_table(
        "checks",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("taken_on", sa.String(10), nullable=False),
        sa.Column("reference", sa.Text, nullable=False),
        sa.Column("site", sa.Text, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("bias_percent", sa.Double),
        sa.Column("bias_u_percent", sa.Double),
        sa.Column("result", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("software_version", sa.String(32), nullable=False),
        sa.Column("recorded_at_utc", sa.String(32), nullable=False),
    )
    op.create_table(
        "print_checks",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("reference", sa.Text, nullable=False),
        sa.Column("nominal_mm", sa.Double, nullable=False),
        sa.Column("measured_mm", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("factor", sa.Double, nullable=False),
        sa.Column("factor_u_rel", sa.Double, nullable=False),
        sa.Column("checked_on", sa.String(10), nullable=False),
        sa.Column("checked_by", sa.Text, nullable=False),
        sa.Column("software_version", sa.String(32), nullable=False),
        sa.Column("recorded_at_utc", sa.String(32), nullable=False),
        sa.Index("ix_print_checks_reference", "reference"),
    )
    op.create_table(
        "edits",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("fragment_measurement_id", sa.Integer, sa.ForeignKey("fragment_measurements.id"), nullable=False),
        sa.Column("edited_at_utc", sa.String(32), nullable=False),
        sa.Column("edited_by", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("old_row", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("new_fragment", sa.Text),
        sa.Column("new_outline_mm_wkb", sa.LargeBinary),
        sa.Index("ix_edits_fragment_measurement_id", "fragment_measurement_id"),
    )
    op.create_table(
        "file_hashes",
        sa.Column("path", sa.Text, primary_key=True),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("modified_ns", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
    )


def downgrade() -> None:
    """Refuse: a measurement is never taken back."""
    raise NotImplementedError("a logbook is not made older; open its backup instead")
