"""Alerts: looks at the station every minute, and sees to it that incidents are told once."""

import time
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from stream.alert_rules import RULES
from stream.alerts.conditions import Computer, Condition, conditions, of_computer
from stream.alerts.incidents import IncidentChange, Incidents
from stream.alerts.outbox import Outbox
from stream.errors import StoreError
from stream.ingest.broker.mqtt import Tell
from stream.station import StationFile, read_clock
from stream.store import Store
from stream.store.messages import Incident, Message, Messages
from stream.store.station_data import StationData
from stream.times import SECOND, rfc3339


class Alerting:
    """Turns what is wrong into messages.

    Incidents are kept with their messages in one commit, so that a restart forgets none
    and repeats none. While the database is away they are told from memory.
    """

    def __init__(
        self,
        file: StationFile,
        store: Store,
        messages: Messages,
        posts: Mapping[str, Outbox],
        computer: Callable[[], Computer],
        tell: Tell,
    ) -> None:
        self._file = file
        self._store = store
        self._messages = messages
        self._posts = posts
        self._computer = computer
        self._tell = tell
        self._started_us = time.time_ns() // 1000
        self._incidents: Incidents | None = None
        self._unsaved: list[tuple[IncidentChange, list[Message]]] = []

    def look(self, now_us: int | None = None) -> list[IncidentChange]:
        """Look once; what has changed."""
        now = time.time_ns() // 1000 if now_us is None else now_us
        self._save(now)
        try:
            if self._incidents is None:
                self._incidents = self._from(self._messages.incidents(open_only=True))
            data = StationData.over(self._file, self._store)
            found = list(conditions(data, now, self._started_us, self._computer()))
        except StoreError as error:
            self._tell("warning", "alerts cannot look", error=str(error))
            found = self._without_database()
        changes = [] if self._incidents is None else self._incidents.look(found, now)
        for change in changes:
            self._keep(change, now)
        return changes

    def _without_database(self) -> list[Condition]:
        """What can be told of the computer alone."""
        station = self._file.station
        found = list(of_computer(self._computer(), station))
        if found and self._incidents is None:
            self._incidents = self._from(())
        return found

    def _from(self, going_on: Iterable[Incident]) -> Incidents:
        return Incidents(going_on, round(self._file.station.alerts.hold_min * 60 * SECOND))

    def _keep(self, change: IncidentChange, now: int) -> None:
        incident = change.incident
        self._tell(
            "info" if change.ended else "warning",
            "incident over" if change.ended else "incident",
            rule=incident.rule, subject=incident.subject, text=incident.text,
        )  # fmt: skip
        fresh = list(self._told_of(change, now))
        try:
            self._messages.keep_incident(incident, fresh, now)
        except StoreError as error:
            self._tell("warning", "incident cannot be kept; told at once", error=str(error))
            for message in fresh:
                self._posts[message.way].hold(message)
            self._unsaved.append((change, fresh))

    def _save(self, now: int) -> None:
        """Keep what could not be kept while the database was away, told or not."""
        while self._unsaved:
            change, fresh = self._unsaved[0]
            try:
                self._messages.keep_incident(change.incident, [], now)
            except StoreError:
                return
            left = [m for m in fresh if not self._posts[m.way].hand_back(m.name)]
            try:
                self._messages.put(left, now)
            except StoreError:
                for message in left:
                    self._posts[message.way].hold(message)
                self._unsaved[0] = change, left
                return
            del self._unsaved[0]

    def _told_of(self, change: IncidentChange, now: int) -> list[Message]:
        station, rules = self._file.station, self._file.station.alerts
        i = change.incident
        state = "over" if change.ended else "begun"
        name = f"alert {i.rule} {i.subject} {rfc3339(i.began_us)} {state}"
        zone = read_clock(station.station.timezone)
        began = _local(i.began_us, zone)
        ended = "" if i.ended_us is None else _local(i.ended_us, zone)
        head = f"Over: {RULES[i.rule]}" if change.ended else RULES[i.rule].capitalize()
        lines = [f"{head} ({i.subject}).", "", i.text, "", f"Since {began}, station time."]
        if change.ended:
            lines[-1] = f"From {began} to {ended}, station time."
        content: dict[str, Any] = {
            "subject": f"[{station.id}] {head}: {i.subject}",
            "text": "\n".join(lines) + "\n",
            "topic": rules.topic,
            "json": {
                "station": station.id,
                "rule": i.rule,
                "subject": i.subject,
                "state": state,
                "began_at": rfc3339(i.began_us),
                "ended_at": None if i.ended_us is None else rfc3339(i.ended_us),
                "text": i.text,
            },
        }
        wait = 0 if i.rule in rules.urgent else self._quiet_until(now)
        ways = (
            ("mail", rules.mail and station.mail is not None),
            ("webhook", rules.webhook and station.webhook is not None),
            ("mqtt", rules.topic is not None),
        )
        # A broker rings no bell at night.
        return [Message(name, way, content, 0 if way == "mqtt" else wait) for way, on in ways if on]

    def _quiet_until(self, now: int) -> int:
        """The end of the quiet hours that a moment lies in, 0 where it lies in none [µs]."""
        rules = self._file.station.alerts
        if rules.quiet_from is None or rules.quiet_to is None:
            return 0
        zone = read_clock(self._file.station.station.timezone)
        local = datetime.fromtimestamp(now / SECOND, UTC).astimezone(zone)
        clock = local.strftime("%H:%M")
        first, last = rules.quiet_from, rules.quiet_to
        quiet = first <= clock < last if first <= last else clock >= first or clock < last
        if not quiet:
            return 0
        hour, minute = map(int, last.split(":"))
        end = local.replace(hour=hour, minute=minute, second=0, microsecond=0)
        if end <= local:
            end += timedelta(days=1)
        return round(end.timestamp() * SECOND)


def _local(at_us: int, zone: Any) -> str:
    return datetime.fromtimestamp(at_us / SECOND, UTC).astimezone(zone).strftime("%Y-%m-%d %H:%M")
