"""Results of drills."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "drill",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("reader_id", sa.Integer, nullable=False),
        sa.Column("at", sa.String(32), nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("right", sa.Integer, nullable=False),
        sa.Column("asked", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_drill"),
        sa.ForeignKeyConstraint(["reader_id"], ["reader.id"], name="fk_drill_reader_id_reader"),
    )
    op.create_index("ix_drill_reader_id", "drill", ["reader_id"])


def downgrade() -> None:
    op.drop_table("drill")
