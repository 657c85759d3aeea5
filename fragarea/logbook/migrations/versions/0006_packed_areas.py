"""What growth reads of each photo is remembered packed, in place of parts of outlines alone.

Revision ID: 0006
Revises: 0005
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Replace the table of rim shares, which growth derives anew, by that of packed areas."""
    op.drop_table("rim_shares")
    op.create_table(
        "packed_areas",
        sa.Column("measurement_id", sa.Integer, sa.ForeignKey("measurements.id"), primary_key=True),
        sa.Column("form", sa.Integer, nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
    )


def downgrade() -> None:
    """Refuse: a measurement is never taken back."""
    raise NotImplementedError("a logbook is not made older; open its backup instead")
