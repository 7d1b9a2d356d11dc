"""Totals of the field up to now, quickly: the report takes its time and does it better."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from stream.errors import CommandError
from stream.field.season import SeasonTotals, season_totals
from stream.field.series import calendar, day_at
from stream.store.station_data import StationData
from stream.times import DAY, SECOND
from stream.web.charts import line
from stream.web.query import extent_of


@dataclass(frozen=True, slots=True)
class Totals:
    """Season totals up to the last record, or why there are none."""

    totals: SeasonTotals | None
    why_not: str

    def cumulative(self, gas: str) -> list[dict[str, Any]]:
        """Of each treatment that has a total, up to the end of each day [kg ha⁻¹]."""
        if self.totals is None:
            return []
        days = self.totals.days
        found = []
        for g in self.totals.gases:
            if g.gas != gas:
                continue
            for t in g.treatments:
                if t.missing:
                    continue
                ends = [(days.start_us + i * DAY) / SECOND for i in range(days.days + 1)]
                sofar = [0.0, *(float(v) for v in t.cumulative)]
                found.append(line(t.treatment or "all plots", ends, sofar))
        return found


class TotalsCache:
    """Totals, worked out once for each state of the results."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._state: Sequence[Any] = ()
        self._kept: Totals | None = None

    def of(self, data: StationData) -> Totals:
        """Totals as of now; whoever asks while they are worked out waits for them."""
        extent = extent_of(data)
        state = (extent.stop_us // (3600 * SECOND), data.file.digest, data.reader.revisions())
        with self._lock:
            if self._kept is None or state != self._state:
                self._kept = _work_out(data, extent.first_us, extent.stop_us)
                self._state = state
            return self._kept


def _work_out(data: StationData, first_us: int, stop_us: int) -> Totals:
    station = data.file.station
    season = station.season
    # A day whose last hour was reached is whole: no logger's last record is at midnight.
    end = day_at(station, stop_us + 3600 * SECOND) - timedelta(days=1)
    begin = day_at(station, first_us)
    if season is not None:
        begin, end = max(begin, season.start), min(end, season.end)
    if end < begin:
        return Totals(None, "No whole day of the season has been recorded yet.")
    # Lines between neighbours: quick, and what the other ways are held against.
    rules = station.field.model_copy(update={"gap_filling": "linear"})
    plain = station.model_copy(update={"field": rules})
    try:
        days = calendar(station, begin, end)
        return Totals(season_totals(plain, data.flux_columns, data.journal, days), "")
    except CommandError as error:
        return Totals(None, str(error))
