"""The factor by which a flux was corrected for gas stored in the soil.

Revision ID: 0005
Revises: 0004
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.add_column("fluxes", sa.Column("chamber_bias_factor", sa.Double(), nullable=True))
