"""What weekly reports said is remembered.

Revision ID: 0005
Revises: 0004
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Create the table of weekly reports."""
    op.create_table(
        "weekly_reports",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("first_day", sa.String(10), nullable=False),
        sa.Column("last_day", sa.String(10), nullable=False),
        sa.Column("said", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("software_version", sa.String(32), nullable=False),
        sa.Column("recorded_at_utc", sa.String(32), nullable=False),
        sa.Index("ix_weekly_reports_last_day", "last_day"),
    )


def downgrade() -> None:
    """Refuse: a measurement is never taken back."""
    raise NotImplementedError("a logbook is not made older; open its backup instead")
