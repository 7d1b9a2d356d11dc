"""Tables of vials and of runs, as people brought them.

Revision ID: 0004
Revises: 0003
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    name = sa.String(128).with_variant(sa.String(128, collation="C"), "postgresql")
    path = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
    op.create_table(
        "hand_tables",
        sa.Column("station", name, primary_key=True),
        sa.Column("kind", name, primary_key=True),
        sa.Column("name", path, primary_key=True),
        sa.Column("revision", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("current", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(32), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
    )
