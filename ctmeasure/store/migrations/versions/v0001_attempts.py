"""Readers, sets, attempts with their steps, opened references and scores."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "reader",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("pseudonym", sa.String(32), nullable=False),
        sa.Column("joined_at", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_reader"),
        sa.UniqueConstraint("pseudonym", name="uq_reader_pseudonym"),
    )
    op.create_table(
        "practice_set",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("set_hash", sa.String(64), nullable=False),
        sa.Column("added_at", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_practice_set"),
        sa.UniqueConstraint("name", name="uq_practice_set_name"),
    )
    op.create_table(
        "attempt",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("reader_id", sa.Integer, nullable=False),
        sa.Column("set_id", sa.Integer, nullable=False),
        sa.Column("task", sa.String(120), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("reference_hash", sa.String(64), nullable=False),
        sa.Column("started_at", sa.String(32), nullable=False),
        sa.Column("last_at", sa.String(32), nullable=False),
        sa.Column("handed_in_at", sa.String(32)),
        sa.Column("active_s", sa.Float, nullable=False),
        sa.Column("flags", sa.Text, nullable=False),
        sa.Column("answer", sa.Text),
        sa.PrimaryKeyConstraint("id", name="pk_attempt"),
        sa.ForeignKeyConstraint(["reader_id"], ["reader.id"], name="fk_attempt_reader_id_reader"),
        sa.ForeignKeyConstraint(["set_id"], ["practice_set.id"], name="fk_attempt_set_id_practice_set"),
        sa.UniqueConstraint("reader_id", "set_id", "task", "number", name="uq_attempt_reader_id_set_id_task_number"),
    )
    op.create_index("ix_attempt_set_id", "attempt", ["set_id"])
    _per_attempt("step", sa.Column("number", sa.Integer, nullable=False), sa.Column("content", sa.Text, nullable=False))
    _per_attempt("opened", sa.Column("reference_hash", sa.String(64), nullable=False), numbered=False)
    _per_attempt(
        "score",
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("version", sa.String(32), nullable=False),
        sa.Column("content", sa.Text, nullable=False),
    )


def _per_attempt(name: str, *columns: sa.Column, numbered: bool = True) -> None:
    unique = (sa.UniqueConstraint("attempt_id", "number", name=f"uq_{name}_attempt_id_number"),) if numbered else ()
    op.create_table(
        name,
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("attempt_id", sa.Integer, nullable=False),
        sa.Column("at", sa.String(32), nullable=False),
        *columns,
        sa.PrimaryKeyConstraint("id", name=f"pk_{name}"),
        sa.ForeignKeyConstraint(["attempt_id"], ["attempt.id"], name=f"fk_{name}_attempt_id_attempt"),
        *unique,
    )


def downgrade() -> None:
    for name in ("score", "opened", "step", "attempt", "practice_set", "reader"):
        op.drop_table(name)
