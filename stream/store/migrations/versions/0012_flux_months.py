"""Months of fluxes that are over, as files of columns.

Revision ID: 0012
Revises: 0011
"""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"

NAME = sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "flux_months",
        sa.Column("station", NAME, autoincrement=False, nullable=False),
        sa.Column("month_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("current", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("station", "month_us"),
    )
