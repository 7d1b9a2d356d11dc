"""Rules of alerts: the words of ``alerts.rules``, and what each says for people.

What a rule looks at is a function of the same name in ``alerts/conditions.py``.
"""

from typing import Final

RULES: Final = {
    "no_records": "no records come",
    "analyzer_silent": "the analyzer is silent",
    "lid_stuck": "a lid is stuck",
    "leak_suspected": "a chamber may leak",
    "chamber_hot": "a chamber is too hot",
    "disk_low": "the disk is nearly full",
    "database_away": "the database cannot be written",
    "computer_clock": "this computer's clock is in doubt",
    "source_clock": "a source's clock is ahead",
}
