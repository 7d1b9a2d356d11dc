"""The gain by which the points of a flux were corrected.

Revision ID: 0003
Revises: 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.add_column("fluxes", sa.Column("calibration_gain", sa.Double(), nullable=True))
