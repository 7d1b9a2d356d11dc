"""Small things that the service remembers over a restart; first and last records of days in
the archive, unknown for those that are there already.

Revision ID: 0009
Revises: 0008
"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"

NAME = sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql")
PATH = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    for name in ("first_us", "last_us"):
        op.add_column("archive_days", sa.Column(name, sa.BigInteger(), nullable=True))
    op.create_table(
        "marks",
        sa.Column("station", NAME, autoincrement=False, nullable=False),
        sa.Column("name", PATH, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "name"),
    )
