"""People mark measurements wrong, and decide whether fragments changed places.

Revision ID: 0004
Revises: 0003
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add marks to the edits, and the table of decisions."""
    op.add_column("edits", sa.Column("marked_wrong", sa.Boolean))
    op.create_table(
        "exchange_decisions",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("site", sa.Text, nullable=False),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("fragments", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("verdict", sa.String(20), nullable=False),
        sa.Column("odds", sa.Double),
        sa.Column("decided_by", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("table_change", sa.JSON(none_as_null=True)),
        sa.Column("takes_back", sa.Integer, sa.ForeignKey("exchange_decisions.id")),
        sa.Column("software_version", sa.String(32), nullable=False),
        sa.Column("decided_at_utc", sa.String(32), nullable=False),
    )


def downgrade() -> None:
    """Refuse: a measurement is never taken back."""
    raise NotImplementedError("a logbook is not made older; open its backup instead")
