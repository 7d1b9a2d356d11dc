"""The field log, summaries, incidents, and messages that wait to be told.

Revision ID: 0006
Revises: 0005
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    name = sa.String(128).with_variant(sa.String(128, collation="C"), "postgresql")
    path = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
    op.create_table(
        "notes",
        sa.Column("station", name, primary_key=True),
        sa.Column("number", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=True),
        sa.Column("written_us", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("chamber", name, nullable=False),
        sa.Column("plot", name, nullable=False),
        sa.Column("treatment", name, nullable=False),
        sa.Column("amount", sa.Double(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("refers", sa.Integer(), nullable=True),
        sa.Column("taken", sa.Integer(), nullable=False),
    )
    op.create_index("notes_by_key", "notes", ["station", "key"], unique=True)
    op.create_table(
        "summaries",
        sa.Column("station", name, primary_key=True),
        sa.Column("day", name, primary_key=True),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.String(32), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
    )
    op.create_table(
        "incidents",
        sa.Column("station", name, primary_key=True),
        sa.Column("rule", name, primary_key=True),
        sa.Column("subject", name, primary_key=True),
        sa.Column("began_us", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
    )
    op.create_table(
        "messages",
        sa.Column("station", name, primary_key=True),
        sa.Column("name", path, primary_key=True),
        sa.Column("way", sa.String(16), primary_key=True),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("not_before_us", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("sent_us", sa.BigInteger(), nullable=True),
        sa.Column("trouble", sa.Text(), nullable=False),
    )
    op.create_index("messages_by_state", "messages", ["station", "sent_us", "not_before_us"])
    op.create_index("closures_by_time", "closures", ["station", "closed_us"])
    op.create_index("gaps_by_time", "gaps", ["station", "due_us"])
    if op.get_bind().dialect.name == "sqlite":
        _tell_sqlite_what_to_expect()


_EXPECTED = {
    ("closures", "sqlite_autoindex_closures_1"): "35000 35000 2900 1 1",
    ("closures", "closures_by_time"): "35000 35000 2",
    ("fluxes", "sqlite_autoindex_fluxes_1"): "105000 105000 8700 3 3 1",
    ("model_fits", "sqlite_autoindex_model_fits_1"): "315000 315000 26000 9 9 3 1",
    ("visits", "sqlite_autoindex_visits_1"): "500000 500000 42000 15 15 5 1",
    ("gaps", "sqlite_autoindex_gaps_1"): "3500 3500 290 1 1",
    ("gaps", "gaps_by_time"): "3500 3500 2",
}
"""Rows a prefix of each index's columns is expected to find, of a year of twelve chambers."""


def _tell_sqlite_what_to_expect() -> None:
    """Without statistics SQLite joins fluxes to closures by a range of time instead of by
    their key, and a year takes a minute. So it is told, once, what a station is like, and
    every database gets the same plans. PostgreSQL finds out by itself.
    """
    op.execute("ANALYZE")
    for (table, index), numbers in _EXPECTED.items():
        op.execute(f"DELETE FROM sqlite_stat1 WHERE tbl = '{table}' AND idx = '{index}'")
        op.execute(f"INSERT INTO sqlite_stat1 VALUES ('{table}', '{index}', '{numbers}')")
    # Lets connections that are open already read them.
    op.execute("ANALYZE sqlite_master")
