"""Where the tests find the servers that they share."""

import os

POSTGRES = os.environ.get(
    "LIDSTREAM_TEST_POSTGRES", "postgresql+psycopg://postgres@127.0.0.1:5432/postgres"
)
"""A PostgreSQL on which databases may be made and dropped."""
IN_CI = os.environ.get("CI", "").lower() in {"1", "true"}
