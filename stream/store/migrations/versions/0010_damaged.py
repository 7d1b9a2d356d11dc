"""Pieces of the journal that were found damaged and set aside.

Revision ID: 0010
Revises: 0009
"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"

NAME = sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql")
PATH = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "damaged",
        sa.Column("station", NAME, autoincrement=False, nullable=False),
        sa.Column("noted_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("piece", PATH, nullable=False),
        sa.Column("first_us", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("channels", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("station", "noted_us", "piece"),
    )
