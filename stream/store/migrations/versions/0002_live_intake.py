"""Positions in watched files, the manifest of the archive, and doubts about clocks.

Revision ID: 0002
Revises: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

NAME = sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql")
PATH = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "positions",
        sa.Column("station", NAME, autoincrement=False, nullable=False),
        sa.Column("folder", PATH, nullable=False),
        sa.Column("name", PATH, nullable=False),
        sa.Column("inode", sa.BigInteger(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("modified_ns", sa.BigInteger(), nullable=False),
        sa.Column("offset", sa.BigInteger(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("local_us", sa.BigInteger(), nullable=False),
        sa.Column("latest_us", sa.BigInteger(), nullable=False),
        sa.Column("head_bytes", sa.Integer(), nullable=False),
        sa.Column("head_digest", sa.String(length=32), nullable=False),
        sa.Column("tail_digest", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("station", "folder", "name"),
    )
    op.create_table(
        "archive_days",
        sa.Column("station", NAME, autoincrement=False, nullable=False),
        sa.Column("day_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("records", sa.BigInteger(), nullable=False),
        sa.Column("channels", sa.Text(), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("removed", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("station", "day_us"),
    )
    op.create_table(
        "clock_events",
        sa.Column("station", NAME, autoincrement=False, nullable=False),
        sa.Column("kind", NAME, autoincrement=False, nullable=False),
        sa.Column("source", PATH, nullable=False),
        sa.Column("at_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("channels", sa.Text(), nullable=False),
        sa.Column("shift_s", sa.Double(), nullable=True),
        sa.PrimaryKeyConstraint("station", "kind", "source", "at_us"),
    )
    op.create_index("clock_events_by_time", "clock_events", ["station", "at_us"])
