"""The first tables.

Revision ID: 0001
Revises:
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


# Long: one list of tables as they were, which is never changed.
def upgrade() -> None:
    op.create_table(
        "closures",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "chamber",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("closed_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("revision", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("current", sa.Integer(), nullable=False),
        sa.Column("withdrawn", sa.Integer(), nullable=False),
        sa.Column("station_digest", sa.String(length=64), nullable=False),
        sa.Column("software_version", sa.String(length=64), nullable=False),
        sa.Column("result_digest", sa.String(length=64), nullable=False),
        sa.Column("opened_us", sa.BigInteger(), nullable=False),
        sa.Column(
            "analyzer",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            nullable=False,
        ),
        sa.Column(
            "plot",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            nullable=False,
        ),
        sa.Column(
            "block",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            nullable=False,
        ),
        sa.Column(
            "treatment",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            nullable=False,
        ),
        sa.Column(
            "position",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            nullable=False,
        ),
        sa.Column("height_m", sa.Double(), nullable=True),
        sa.Column("volume_m3", sa.Double(), nullable=True),
        sa.Column("area_m2", sa.Double(), nullable=True),
        sa.Column("air_temperature_c", sa.Double(), nullable=True),
        sa.Column("pressure_pa", sa.Double(), nullable=True),
        sa.Column("soil_temperature_c", sa.Double(), nullable=True),
        sa.Column("soil_moisture_m3_m3", sa.Double(), nullable=True),
        sa.Column("wfps", sa.Double(), nullable=True),
        sa.Column("water_mol_mol", sa.Double(), nullable=True),
        sa.Column("close_gap_s", sa.Double(), nullable=True),
        sa.Column("open_gap_s", sa.Double(), nullable=True),
        sa.Column("moving_s", sa.Double(), nullable=True),
        sa.Column("bounces", sa.Integer(), nullable=False),
        sa.Column("quality", sa.Integer(), nullable=False),
        sa.Column("flags", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "chamber", "closed_us", "revision"),
    )
    op.create_table(
        "gaps",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "chamber",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("due_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("revision", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("current", sa.Integer(), nullable=False),
        sa.Column("withdrawn", sa.Integer(), nullable=False),
        sa.Column("station_digest", sa.String(length=64), nullable=False),
        sa.Column("software_version", sa.String(length=64), nullable=False),
        sa.Column("result_digest", sa.String(length=64), nullable=False),
        sa.Column("quality", sa.Integer(), nullable=False),
        sa.Column("flags", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "chamber", "due_us", "revision"),
    )
    op.create_table(
        "journal_blocks",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("sequence", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("first_us", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("channels", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("station", "sequence"),
    )
    op.create_index(
        "journal_blocks_by_time", "journal_blocks", ["station", "first_us", "last_us"], unique=False
    )
    op.create_table(
        "journal_channels",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "channel",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("first_us", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.Column("records", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("station", "channel"),
    )
    op.create_table(
        "quarantine",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "digest",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "digest"),
    )
    op.create_table(
        "standard_visits",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "analyzer",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "gas",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("started_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("revision", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("current", sa.Integer(), nullable=False),
        sa.Column("withdrawn", sa.Integer(), nullable=False),
        sa.Column("station_digest", sa.String(length=64), nullable=False),
        sa.Column("software_version", sa.String(length=64), nullable=False),
        sa.Column("result_digest", sa.String(length=64), nullable=False),
        sa.Column("port", sa.Integer(), nullable=False),
        sa.Column("ended_us", sa.BigInteger(), nullable=False),
        sa.Column("mid_us", sa.BigInteger(), nullable=False),
        sa.Column("standard_nmol_mol", sa.Double(), nullable=True),
        sa.Column("value_nmol_mol", sa.Double(), nullable=True),
        sa.Column("value_se_nmol_mol", sa.Double(), nullable=True),
        sa.Column("points", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("station", "analyzer", "gas", "started_us", "revision"),
    )
    op.create_table(
        "station_files",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "digest",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("content", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "digest"),
    )
    op.create_table(
        "unsettled",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("first_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("station", "first_us"),
    )
    op.create_table(
        "fluxes",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "chamber",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("closed_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("revision", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column(
            "gas",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("mid_us", sa.BigInteger(), nullable=False),
        sa.Column("flux_nmol_m2_s", sa.Double(), nullable=True),
        sa.Column("flux_se_nmol_m2_s", sa.Double(), nullable=True),
        sa.Column("fit_se_nmol_m2_s", sa.Double(), nullable=True),
        sa.Column("detection_limit_nmol_m2_s", sa.Double(), nullable=True),
        sa.Column("model", sa.String(length=32), nullable=False),
        sa.Column("model_reason", sa.String(length=32), nullable=False),
        sa.Column("points", sa.Integer(), nullable=False),
        sa.Column("window_start_s", sa.Double(), nullable=True),
        sa.Column("window_end_s", sa.Double(), nullable=True),
        sa.Column("start_mole_fraction", sa.Double(), nullable=True),
        sa.Column("r_squared", sa.Double(), nullable=True),
        sa.Column("slope_nmol_mol_s", sa.Double(), nullable=True),
        sa.Column("residual_sd_nmol_mol", sa.Double(), nullable=True),
        sa.Column("noise_ratio", sa.Double(), nullable=True),
        sa.Column("quality", sa.Integer(), nullable=False),
        sa.Column("flags", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["station", "chamber", "closed_us", "revision"],
            ["closures.station", "closures.chamber", "closures.closed_us", "closures.revision"],
            name="fluxes_of_closure",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("station", "chamber", "closed_us", "revision", "gas"),
    )
    op.create_table(
        "model_fits",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "chamber",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("closed_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("revision", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column(
            "gas",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "model",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("status", sa.String(length=32), nullable=False),
        sa.Column("flux_nmol_m2_s", sa.Double(), nullable=True),
        sa.Column("flux_se_nmol_m2_s", sa.Double(), nullable=True),
        sa.Column("start_mole_fraction", sa.Double(), nullable=True),
        sa.Column("start_se", sa.Double(), nullable=True),
        sa.Column("slope_nmol_mol_s", sa.Double(), nullable=True),
        sa.Column("slope_se_nmol_mol_s", sa.Double(), nullable=True),
        sa.Column("curvature", sa.Double(), nullable=True),
        sa.Column("curvature_se", sa.Double(), nullable=True),
        sa.Column("rss", sa.Double(), nullable=True),
        sa.Column("r_squared", sa.Double(), nullable=True),
        sa.Column("criterion", sa.Double(), nullable=True),
        sa.Column("noise_ratio", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["station", "chamber", "closed_us", "revision", "gas"],
            [
                "fluxes.station",
                "fluxes.chamber",
                "fluxes.closed_us",
                "fluxes.revision",
                "fluxes.gas",
            ],
            name="model_fits_of_flux",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("station", "chamber", "closed_us", "revision", "gas", "model"),
    )
    op.create_table(
        "visits",
        sa.Column(
            "station",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column(
            "chamber",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("closed_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("revision", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column(
            "gas",
            sa.String(length=128).with_variant(sa.String(length=128, collation="C"), "postgresql"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("visit", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("port", sa.Integer(), nullable=False),
        sa.Column("started_us", sa.BigInteger(), nullable=False),
        sa.Column("mid_us", sa.BigInteger(), nullable=False),
        sa.Column("value_nmol_mol", sa.Double(), nullable=True),
        sa.Column("value_se_nmol_mol", sa.Double(), nullable=True),
        sa.Column("points", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["station", "chamber", "closed_us", "revision", "gas"],
            [
                "fluxes.station",
                "fluxes.chamber",
                "fluxes.closed_us",
                "fluxes.revision",
                "fluxes.gas",
            ],
            name="visits_of_flux",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("station", "chamber", "closed_us", "revision", "gas", "visit"),
    )
