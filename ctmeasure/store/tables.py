"""The tables as the newest schema has them. A change here needs a migration in ``migrations/versions``."""

from __future__ import annotations

from sqlalchemy import Column, Float, ForeignKey, Index, Integer, MetaData, String, Table, Text, UniqueConstraint

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

READER = Table(
    "reader",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("pseudonym", String(32), nullable=False, unique=True),
    Column("joined_at", String(32), nullable=False),
)
PRACTICE_SET = Table(
    "practice_set",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("name", String(120), nullable=False, unique=True),
    Column("set_hash", String(64), nullable=False),
    Column("added_at", String(32), nullable=False),
)
ATTEMPT = Table(
    "attempt",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("reader_id", ForeignKey("reader.id"), nullable=False),
    Column("set_id", ForeignKey("practice_set.id"), nullable=False),
    Column("task", String(120), nullable=False),
    Column("number", Integer, nullable=False),
    Column("state", String(16), nullable=False),
    Column("reference_hash", String(64), nullable=False),
    Column("started_at", String(32), nullable=False),
    Column("last_at", String(32), nullable=False),
    Column("handed_in_at", String(32)),
    Column("active_s", Float, nullable=False),
    Column("flags", Text, nullable=False),
    Column("answer", Text),
    UniqueConstraint("reader_id", "set_id", "task", "number"),
)
STEP = Table(
    "step",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("attempt_id", ForeignKey("attempt.id"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("at", String(32), nullable=False),
    Column("content", Text, nullable=False),
    UniqueConstraint("attempt_id", "number"),
)
OPENED = Table(
    "opened",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("attempt_id", ForeignKey("attempt.id"), nullable=False),
    Column("at", String(32), nullable=False),
    Column("reference_hash", String(64), nullable=False),
)
SCORE = Table(
    "score",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("attempt_id", ForeignKey("attempt.id"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("at", String(32), nullable=False),
    Column("version", String(32), nullable=False),
    Column("content", Text, nullable=False),
    UniqueConstraint("attempt_id", "number"),
)
DRILL = Table(
    "drill",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("reader_id", ForeignKey("reader.id"), nullable=False),
    Column("at", String(32), nullable=False),
    Column("kind", String(32), nullable=False),
    Column("right", Integer, nullable=False),
    Column("asked", Integer, nullable=False),
)
Index("ix_attempt_set_id", ATTEMPT.c.set_id)
Index("ix_drill_reader_id", DRILL.c.reader_id)
SCHEMA = "0002"
"""Revision of the newest migration."""
IN_ORDER = (READER, PRACTICE_SET, ATTEMPT, STEP, OPENED, SCORE, DRILL)
"""Tables so that what a row points to stands before it."""
