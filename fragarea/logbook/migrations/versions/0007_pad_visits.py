"""What fusion derives from the outlines of a pad's photo is remembered.

Revision ID: 0007
Revises: 0006
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Create the table of pad visits."""
    op.create_table(
        "pad_visits",
        sa.Column("measurement_id", sa.Integer, sa.ForeignKey("measurements.id"), primary_key=True),
        sa.Column("state", sa.String(32), nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
    )


def downgrade() -> None:
    """Refuse: a measurement is never taken back."""
    raise NotImplementedError("a logbook is not made older; open its backup instead")
