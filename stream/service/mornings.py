"""The morning summary by schedule: every day that is missing up to yesterday, each once."""

import json
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

from stream.alerts.ways import send
from stream.errors import LidstreamError, RecordsDamaged, StoreError
from stream.ingest.broker.mqtt import Tell
from stream.report.summary.day_summary import summarize, yesterday
from stream.report.summary.model import DaySummary
from stream.report.summary.render import as_html, as_text, subject, write_summary
from stream.station import StationFile, read_clock
from stream.store import Store
from stream.store.messages import Message, Messages
from stream.store.station_data import StationData, digest_of
from stream.times import SECOND

_AGAIN_DAYS: Final = 7
"""Days before, that are summed up again: late records may have changed them."""


class Mornings:
    """Sums up the days of one station."""

    def __init__(self, file: StationFile, store: Store, tell: Tell) -> None:
        self._file = file
        self._store = store
        self._messages = Messages(store, file.station.id)
        self._tell = tell

    def due(self, now: float | None = None) -> list[date]:
        """Days that are over and not summed up yet, once it is time for them.

        Of a station without any summary, yesterday alone.
        """
        moment = time.time() if now is None else now
        station = self._file.station
        last = yesterday(station, moment)
        zone = read_clock(station.station.timezone)
        clock = datetime.fromtimestamp(moment, UTC).astimezone(zone).strftime("%H:%M")
        if clock < station.summary.at:
            last -= timedelta(days=1)
        done = StationData.over(self._file, self._store).kept.last_day()
        first = last if done is None else done + timedelta(days=1)
        first = max(first, last - timedelta(days=station.summary.fill_days - 1))
        return [first + timedelta(days=i) for i in range((last - first).days + 1)]

    def look(self, now: float | None = None) -> list[date]:
        """Sum up what is due; the days that were.

        Raises
        ------
        RecordsDamaged
            Something that must be set aside first.
        """
        try:
            days = self.due(now)
            if days:
                self._sum_up(days, time.time() if now is None else now)
        except RecordsDamaged:
            raise
        except StoreError as error:
            self._tell("warning", "summary cannot be made", error=str(error))
            return []
        return days

    def _sum_up(self, days: list[date], moment: float) -> None:
        data = StationData.over(self._file, self._store)
        changed = self._again(data, days[0])
        now_us = round(moment * SECOND)
        for day in days:
            newest = day == days[-1]
            summary = summarize(data, day, now_us=now_us if newest else None)
            self._write(summary)
            others = (days[:-1], changed) if newest else None
            fresh = messages_of(self._file, summary, now_us, others)
            self._messages.keep_summary(day, summary.as_dict(), fresh, now_us)
            self._tell("info", "summed up", day=str(day), verdict=summary.verdict)

    def _again(self, data: StationData, before: date) -> list[date]:
        """Days of the last week whose summary came out otherwise now, or whose file is gone."""
        changed = []
        first = before - timedelta(days=_AGAIN_DAYS)
        for row in data.kept.between(first, before - timedelta(days=1)):
            day = date.fromisoformat(row["day"])
            summary = summarize(data, day)
            content = summary.as_dict()
            other = digest_of(json.loads(json.dumps(content))) != row["digest"]
            if other:
                # What was said of the computer was said at the time.
                data.kept.put(
                    day, {**content, "machine": row["content"]["machine"]}, row["made_us"]
                )
                changed.append(day)
            if other or self._gone(day):
                self._write(summary)
        return changed

    def _folder(self) -> Path | None:
        path = self._file.station.summary.path
        return None if path is None else self._file.beside(path)

    def _gone(self, day: date) -> bool:
        folder = self._folder()
        return folder is not None and not (folder / f"{self._file.station.id}-{day}.html").exists()

    def _write(self, summary: DaySummary) -> None:
        folder = self._folder()
        if folder is None:
            return
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_summary(summary, folder)
        except (OSError, LidstreamError) as error:
            self._tell("error", "summary cannot be written", error=str(error))


def messages_of(
    file: StationFile,
    summary: DaySummary,
    now_us: int,
    others: tuple[list[date], list[date]] | None = ([], []),
) -> list[Message]:
    """How a summary is told.

    Parameters
    ----------
    file, summary
    now_us : int
        The time of writing [µs].
    others : (filled, changed) or None
        Days that were summed up with it, and days whose summary changed; None where the
        summary is one of several, and the mail of the last tells of it.
    """
    station, rules = file.station, file.station.summary
    name = f"summary {summary.day} {now_us}"
    found = []
    if rules.topic is not None:
        content = {"topic": rules.topic, "json": summary.as_dict(), "retain": True}
        found.append(Message(name, "mqtt", content))
    if station.mail is not None and rules.mail and others is not None:
        text = as_text(summary)
        filled, changed = others
        lines = []
        if filled:
            lines.append(f"Summed up as well, late: {', '.join(map(str, filled))}.")
        if changed:
            lines.append(f"Changed by late records: {', '.join(map(str, changed))}.")
        content = {
            "subject": subject(summary),
            "text": "\n".join([*lines, "", text] if lines else [text]),
            "html": as_html(summary),
        }
        if lines:
            note = "<p>" + " ".join(lines) + "</p></main>"
            content["html"] = str(content["html"]).replace("</main>", note)
        found.append(Message(name, "mail", content))
    return found


def tell_now(file: StationFile, summary: DaySummary) -> list[str]:
    """Send a summary by every way of the station file; the ways.

    Raises
    ------
    NotTold
        One of them did not take it.
    """
    fresh = messages_of(file, summary, time.time_ns() // 1000)
    for message in fresh:
        send(file, message)
    return [m.way for m in fresh]
