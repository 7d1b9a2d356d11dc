"""An index of the closures that are not over, so that they are found among years of others.

Revision ID: 0007
Revises: 0006
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    where = sa.text("revision = 0")
    op.create_index(
        "closures_provisional",
        "closures",
        ["station", "chamber"],
        sqlite_where=where,
        postgresql_where=where,
    )
