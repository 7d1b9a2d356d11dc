"""Records of a day that were damaged where they lay, and have not come again."""

from collections.abc import Iterator
from datetime import tzinfo

from stream.report.summary.clock_times import clock_time
from stream.report.summary.findings.finding import Finding
from stream.store.journal.journal import Journal
from stream.store.results.readers import Period


def of_damage(journal: Journal, day: Period, zone: tzinfo) -> Iterator[Finding]:
    """One finding for each piece that is still missing."""
    for lost in journal.lost(day.first_us, day.stop_us - 1):
        first = clock_time(max(lost.first_us, day.first_us), zone)
        last = clock_time(min(lost.last_us, day.stop_us - 1), zone)
        where = f" of {lost.source}" if lost.source else ""
        what = "Bring the files that hold these records again."
        if lost.is_day:
            what = f"Restore {lost.piece} of the archive, or bring the files of that day again."
        yield Finding(
            1, "database", what,
            f"Records{where} from {first} to {last} were damaged on the disk and are set aside;"
            " fluxes that were worked out of them stay. Check the disk.",
        )  # fmt: skip
