"""What growth derives from outlines is remembered.

Revision ID: 0003
Revises: 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Create the tables of rim shares and of compared tray visits."""
    op.create_table(
        "rim_shares",
        sa.Column("fragment_measurement_id", sa.Integer, sa.ForeignKey("fragment_measurements.id"), primary_key=True),
        sa.Column("rim_share", sa.Double),
    )
    op.create_table(
        "compared_visits",
        sa.Column("site", sa.Text, primary_key=True),
        sa.Column("day", sa.String(10), primary_key=True),
        sa.Column("state", sa.String(32), nullable=False),
        sa.Column("exchanges", sa.JSON(none_as_null=True), nullable=False),
    )


def downgrade() -> None:
    """Refuse: a measurement is never taken back."""
    raise NotImplementedError("a logbook is not made older; open its backup instead")
