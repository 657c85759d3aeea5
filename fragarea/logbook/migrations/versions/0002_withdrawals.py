"""Known-area checks and print checks can be taken back.

Revision ID: 0002
Revises: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Create the table of checks that no longer count."""
    op.create_table(
        "withdrawals",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("check_id", sa.Integer, sa.ForeignKey("checks.id")),
        sa.Column("print_check_id", sa.Integer, sa.ForeignKey("print_checks.id")),
        sa.Column("software_version", sa.String(32), nullable=False),
        sa.Column("recorded_at_utc", sa.String(32), nullable=False),
    )


def downgrade() -> None:
    """Refuse: a measurement is never taken back."""
    raise NotImplementedError("a logbook is not made older; open its backup instead")
