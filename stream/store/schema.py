"""The tables. Keys are natural and begin with the station, so that rows do not depend
on the order of arrival and can be partitioned. Times are whole microseconds since
1970 in UTC (``*_us``): exact, and the same on every database.

Results are versioned: (identity, revision). ``current`` is 1 on the newest revision;
``withdrawn`` is 1 where late records showed that the thing never was. Revision 0 of a
closure is provisional: its lid has not opened yet.
"""

from typing import Final

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    text,
)

from stream.store.shared_columns import NAME, PATH, identity, key, numbers, versioned

metadata = MetaData()

PROVISIONAL: Final = text("revision = 0")
"""Closures that are not over. In these very words, so that an index of them alone is used."""

station_files = Table(
    "station_files",
    metadata,
    *identity("digest"),
    Column("content", Text, nullable=False),
)

journal_blocks = Table(
    "journal_blocks",
    metadata,
    key("station"),
    Column("sequence", BigInteger, primary_key=True, autoincrement=False),
    Column("source", Text, nullable=False),
    Column("first_us", BigInteger, nullable=False),
    Column("last_us", BigInteger, nullable=False),
    Column("rows", Integer, nullable=False),
    Column("channels", Text, nullable=False),
    Column("digest", String(64), nullable=False),
    Column("data", LargeBinary, nullable=False),
    Index("journal_blocks_by_time", "station", "first_us", "last_us"),
)

journal_channels = Table(
    "journal_channels",
    metadata,
    *identity("channel"),
    Column("first_us", BigInteger, nullable=False),
    Column("last_us", BigInteger, nullable=False),
    Column("records", BigInteger, nullable=False),
)

unsettled = Table(
    "unsettled",
    metadata,
    *identity("first_us"),
    Column("last_us", BigInteger, nullable=False),
)

quarantine = Table(
    "quarantine",
    metadata,
    *identity("digest"),
    Column("source", Text, nullable=False),
    Column("line", BigInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Column("text", Text, nullable=False),
)

early = Table(
    "early",
    metadata,
    *identity("digest"),
    Column("source", Text, nullable=False),
    *[Column(name, BigInteger, nullable=False) for name in ("at_us", "arrived_us")],
    Column("content", Text, nullable=False),
)
"""Lines of the quarantine that were ahead of a clock that nothing had confirmed, whole."""

positions = Table(
    "positions",
    metadata,
    key("station"),
    *[Column(name, PATH, primary_key=True) for name in ("folder", "name")],
    Column("inode", BigInteger, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("modified_ns", BigInteger, nullable=False),
    Column("offset", BigInteger, nullable=False),
    Column("line", BigInteger, nullable=False),
    Column("local_us", BigInteger, nullable=False),
    Column("latest_us", BigInteger, nullable=False),
    Column("head_bytes", Integer, nullable=False),
    Column("head_digest", String(32), nullable=False),
    Column("tail_digest", String(32), nullable=False),
    Column("layout", Text),
)
"""How far each file of a watched folder has been taken, and how to know it again."""

date_orders = Table(
    "date_orders",
    metadata,
    key("station"),
    *[Column(name, PATH, primary_key=True) for name in ("source", "shape")],
    Column("date_order", String(3), nullable=False),
)
"""Whether a source writes the day or the month first, as its records settled it once."""

archive_days = Table(
    "archive_days",
    metadata,
    *identity("day_us"),
    Column("path", Text, nullable=False),
    Column("rows", BigInteger, nullable=False),
    Column("records", BigInteger, nullable=False),
    Column("channels", Text, nullable=False),
    Column("bytes", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("removed", Integer, nullable=False),
    *[Column(name, BigInteger) for name in ("first_us", "last_us")],
)
"""The manifest: days of the journal that lie in Parquet files, or lay there until retention."""

flux_months = Table(
    "flux_months",
    metadata,
    *identity("month_us"),
    Column("path", Text, nullable=False),
    Column("rows", BigInteger, nullable=False),
    Column("bytes", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("current", Integer, nullable=False),
)
"""Months of fluxes that lie in files as columns too: current 1, while one is written -1, and 0
once a closure in it changed."""

clock_events = Table(
    "clock_events",
    metadata,
    *identity("kind"),
    Column("source", PATH, primary_key=True),
    Column("at_us", BigInteger, primary_key=True, autoincrement=False),
    Column("channels", Text, nullable=False),
    Column("shift_s", Double),
    Index("clock_events_by_time", "station", "at_us"),
)
"""Minutes of records in which a source's clock is in doubt."""

hand_tables = Table(
    "hand_tables",
    metadata,
    *identity("kind"),
    Column("name", PATH, primary_key=True),
    Column("revision", Integer, primary_key=True, autoincrement=False),
    Column("current", Integer, nullable=False),
    Column("digest", String(32), nullable=False),
    Column("content", Text, nullable=False),
)
"""Tables of vials and of runs, whole, as people brought them; a table is known by its name,
and one that is brought again with other content takes the place of the one before."""

notes = Table(
    "notes",
    metadata,
    *identity("number"),
    Column("key", String(64), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("until_us", BigInteger),
    Column("written_us", BigInteger, nullable=False),
    Column("kind", String(32), nullable=False),
    Column("author", Text, nullable=False),
    Column("chamber", NAME, nullable=False),
    Column("plot", NAME, nullable=False),
    Column("treatment", NAME, nullable=False),
    Column("amount", Double),
    Column("text", Text, nullable=False),
    Column("refers", Integer),
    Column("taken", Integer, nullable=False),
    Index("notes_by_key", "station", "key", unique=True),
)
"""The field log. Notes are only ever added; ``key`` is its writer's, so that a note that is
sent twice is one; ``taken`` is 1 once the results it bears on are due to be settled."""

closures = Table(
    "closures",
    metadata,
    *identity("chamber", "closed_us", "revision"),
    *versioned(),
    Column("opened_us", BigInteger, nullable=False),
    Column("analyzer", NAME, nullable=False),
    Column("plot", NAME, nullable=False),
    Column("block", NAME, nullable=False),
    Column("treatment", NAME, nullable=False),
    Column("position", NAME, nullable=False),
    *numbers(
        "height_m",
        "volume_m3",
        "area_m2",
        "air_temperature_c",
        "pressure_pa",
        "soil_temperature_c",
        "soil_moisture_m3_m3",
        "wfps",
        "water_mol_mol",
        "close_gap_s",
        "open_gap_s",
        "moving_s",
    ),
    Column("bounces", Integer, nullable=False),
    Column("quality", Integer, nullable=False),
    Column("flags", Text, nullable=False),
    Index("closures_by_time", "station", "closed_us"),
    Index(
        "closures_provisional",
        "station",
        "chamber",
        sqlite_where=PROVISIONAL,
        postgresql_where=PROVISIONAL,
    ),
)

fluxes = Table(
    "fluxes",
    metadata,
    *identity("chamber", "closed_us", "revision", "gas"),
    Column("mid_us", BigInteger, nullable=False),
    *numbers(
        "flux_nmol_m2_s", "flux_se_nmol_m2_s", "fit_se_nmol_m2_s", "detection_limit_nmol_m2_s"
    ),
    Column("model", String(32), nullable=False),
    Column("model_reason", String(32), nullable=False),
    Column("points", Integer, nullable=False),
    *numbers(
        "window_start_s",
        "window_end_s",
        "start_mole_fraction",
        "r_squared",
        "slope_nmol_mol_s",
        "residual_sd_nmol_mol",
        "noise_ratio",
    ),
    Column("quality", Integer, nullable=False),
    Column("flags", Text, nullable=False),
    *numbers("calibration_gain", "chamber_bias_factor"),
    ForeignKeyConstraint(
        ["station", "chamber", "closed_us", "revision"],
        ["closures.station", "closures.chamber", "closures.closed_us", "closures.revision"],
        name="fluxes_of_closure",
        ondelete="CASCADE",
    ),
)

_OF_FLUX = (
    ["station", "chamber", "closed_us", "revision", "gas"],
    ["fluxes.station", "fluxes.chamber", "fluxes.closed_us", "fluxes.revision", "fluxes.gas"],
)

model_fits = Table(
    "model_fits",
    metadata,
    *identity("chamber", "closed_us", "revision", "gas", "model"),
    Column("status", String(32), nullable=False),
    *numbers(
        "flux_nmol_m2_s",
        "flux_se_nmol_m2_s",
        "start_mole_fraction",
        "start_se",
        "slope_nmol_mol_s",
        "slope_se_nmol_mol_s",
        "curvature",
        "curvature_se",
        "rss",
        "r_squared",
        "criterion",
        "noise_ratio",
    ),
    ForeignKeyConstraint(*_OF_FLUX, name="model_fits_of_flux", ondelete="CASCADE"),
)

FIT_COLUMNS: Final = tuple(
    str(c.name) for c in model_fits.columns if c.name not in closures.primary_key
)
"""What a row of ``model_fits`` holds beside the identity of its closure, in this order."""

visits = Table(
    "visits",
    metadata,
    *identity("chamber", "closed_us", "revision", "gas", "visit"),
    Column("port", Integer, nullable=False),
    Column("started_us", BigInteger, nullable=False),
    Column("mid_us", BigInteger, nullable=False),
    *numbers("value_nmol_mol", "value_se_nmol_mol"),
    Column("points", Integer, nullable=False),
    ForeignKeyConstraint(*_OF_FLUX, name="visits_of_flux", ondelete="CASCADE"),
)

standard_visits = Table(
    "standard_visits",
    metadata,
    *identity("analyzer", "gas", "started_us", "revision"),
    *versioned(),
    Column("port", Integer, nullable=False),
    Column("ended_us", BigInteger, nullable=False),
    Column("mid_us", BigInteger, nullable=False),
    *numbers("standard_nmol_mol", "value_nmol_mol", "value_se_nmol_mol"),
    Column("points", Integer, nullable=False),
)

gaps = Table(
    "gaps",
    metadata,
    *identity("chamber", "due_us", "revision"),
    *versioned(),
    Column("quality", Integer, nullable=False),
    Column("flags", Text, nullable=False),
    Index("gaps_by_time", "station", "due_us"),
)

summaries = Table(
    "summaries",
    metadata,
    *identity("day"),
    Column("made_us", BigInteger, nullable=False),
    Column("digest", String(32), nullable=False),
    Column("content", Text, nullable=False),
)
"""Days that were summed up, with what was said of them, as JSON."""

incidents = Table(
    "incidents",
    metadata,
    *identity("rule", "subject", "began_us"),
    Column("ended_us", BigInteger),
    Column("text", Text, nullable=False),
)
"""What alerts were about; one that has not ended has no end."""

messages = Table(
    "messages",
    metadata,
    key("station"),
    Column("name", PATH, primary_key=True),
    Column("way", String(16), primary_key=True),
    Column("made_us", BigInteger, nullable=False),
    Column("not_before_us", BigInteger, nullable=False),
    Column("content", Text, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("sent_us", BigInteger),
    Column("trouble", Text, nullable=False),
    Index("messages_by_state", "station", "sent_us", "not_before_us"),
)
"""What is to be told to people, until it has been: a message a way."""

marks = Table(
    "marks",
    metadata,
    key("station"),
    Column("name", PATH, primary_key=True),
    Column("value", Text, nullable=False),
)
"""Small things that the service remembers over a restart: when it last looked at the clock,
how far stored records have been checked."""

damaged = Table(
    "damaged",
    metadata,
    key("station"),
    Column("noted_us", BigInteger, primary_key=True, autoincrement=False),
    Column("piece", PATH, primary_key=True),
    *[Column(name, BigInteger, nullable=False) for name in ("first_us", "last_us", "rows")],
    Column("channels", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("data", LargeBinary),
)
"""Pieces of the journal that were found damaged and set aside, blocks with what they hold."""
