"""Records that were ahead of a clock that may have been behind, so that they can be taken.

Revision ID: 0011
Revises: 0010
"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"

NAME = sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "early",
        sa.Column("station", NAME, autoincrement=False, nullable=False),
        sa.Column("digest", NAME, autoincrement=False, nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("arrived_us", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "digest"),
    )
