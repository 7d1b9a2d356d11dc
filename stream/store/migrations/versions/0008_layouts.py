"""How watched files are written, as far as they have been read; the settled order of dates.

Revision ID: 0008
Revises: 0007
"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"

NAME = sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql")
PATH = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.add_column("positions", sa.Column("layout", sa.Text(), nullable=True))
    op.create_table(
        "date_orders",
        sa.Column("station", NAME, autoincrement=False, nullable=False),
        sa.Column("source", PATH, nullable=False),
        sa.Column("shape", PATH, nullable=False),
        sa.Column("date_order", sa.String(length=3), nullable=False),
        sa.PrimaryKeyConstraint("station", "source", "shape"),
    )
