"""What is to be told to people: kept until it has been told, over any restart."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, delete, select, update

from stream.store.connect import Store
from stream.store.results.bulk import insert_rows
from stream.store.schema import incidents, messages
from stream.store.station_data import put_summary


@dataclass(frozen=True, slots=True)
class Message:
    """One message by one way.

    Attributes
    ----------
    name : str
        What it is about: the same name by the same way is told once.
    way : str
        ``mail``, ``mqtt`` or ``webhook``.
    content : mapping
        What the way needs.
    not_before_us : int
        Waits until then [µs].
    attempts : int
        How often it was tried.
    """

    name: str
    way: str
    content: Mapping[str, Any]
    not_before_us: int = 0
    attempts: int = 0


@dataclass(frozen=True, slots=True)
class Incident:
    """Something that was wrong from a moment on [µs]; ``ended_us`` None: it still is."""

    rule: str
    subject: str
    began_us: int
    ended_us: int | None
    text: str


class Messages:
    """The messages and incidents of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def put(self, fresh: Sequence[Message], now_us: int) -> None:
        """Keep messages to be sent; those that are there already stay as they are."""
        with self._store.writing() as connection:
            self._put(connection, fresh, now_us)

    def keep_summary(
        self, day: date, content: Mapping[str, Any], fresh: Sequence[Message], now_us: int
    ) -> None:
        """Keep a day's summary and the messages that tell of it, in one commit."""
        with self._store.writing() as connection:
            put_summary(connection, self._station, day, content, now_us)
            self._put(connection, fresh, now_us)

    def keep_incident(self, incident: Incident, fresh: Sequence[Message], now_us: int) -> None:
        """Keep an incident as it is now and the messages that tell of it, in one commit."""
        row = {
            "rule": incident.rule,
            "subject": incident.subject,
            "began_us": incident.began_us,
            "ended_us": incident.ended_us,
            "text": incident.text,
        }
        with self._store.writing() as connection:
            insert_rows(connection, incidents, [row], self._station, "replace")
            self._put(connection, fresh, now_us)

    def incidents(self, *, open_only: bool = False, since_us: int = 0) -> list[Incident]:
        """Incidents that have not ended, or that were there after a moment; newest first."""
        i = incidents.c
        query = select(i.rule, i.subject, i.began_us, i.ended_us, i.text).where(
            i.station == self._station
        )
        if open_only:
            query = query.where(i.ended_us.is_(None))
        elif since_us:
            query = query.where((i.ended_us.is_(None)) | (i.ended_us >= since_us))
        with self._store.reading() as connection:
            rows = connection.execute(query.order_by(i.began_us.desc(), i.rule, i.subject))
            return [Incident(*row) for row in rows]

    def due(self, now_us: int, way: str) -> list[Message]:
        """Messages to be sent now by one way, the oldest first."""
        m = messages.c
        query = (
            select(m.name, m.way, m.content, m.not_before_us, m.attempts)
            .where(
                m.station == self._station,
                m.way == way,
                m.sent_us.is_(None),
                m.not_before_us <= now_us,
            )
            .order_by(m.made_us, m.name, m.way)
        )
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
        return [found for row in rows if (found := _message(*row)) is not None]

    def waiting(self) -> list[dict[str, Any]]:
        """Every message that has not been sent, with its last trouble."""
        m = messages.c
        query = select(m.name, m.way, m.not_before_us, m.attempts, m.trouble).where(
            m.station == self._station, m.sent_us.is_(None)
        )
        with self._store.reading() as connection:
            return [
                dict(r)
                for r in connection.execute(query.order_by(m.made_us, m.name, m.way)).mappings()
            ]

    def sent(self, message: Message, now_us: int) -> None:
        """Take note that a message was told."""
        self._update(message, sent_us=now_us, attempts=message.attempts + 1, trouble="")

    def failed(self, message: Message, trouble: str, again_us: int) -> None:
        """Take note that a message could not be told, and when to try again."""
        self._update(
            message,
            not_before_us=again_us,
            attempts=message.attempts + 1,
            trouble=trouble[:500],
        )

    def forget(self, before_us: int) -> None:
        """Let go of messages that were sent before a moment [µs]."""
        with self._store.writing() as connection:
            connection.execute(
                delete(messages).where(
                    messages.c.station == self._station, messages.c.sent_us < before_us
                )
            )

    def _update(self, message: Message, **values: Any) -> None:
        m = messages.c
        with self._store.writing() as connection:
            connection.execute(
                update(messages)
                .where(m.station == self._station, m.name == message.name, m.way == message.way)
                .values(**values)
            )

    def _put(self, connection: Connection, fresh: Sequence[Message], now_us: int) -> None:
        rows = [
            {
                "name": m.name,
                "way": m.way,
                "made_us": now_us,
                "not_before_us": m.not_before_us,
                "content": json.dumps(m.content, ensure_ascii=False),
                "attempts": 0,
                "trouble": "",
            }
            for m in fresh
        ]
        insert_rows(connection, messages, rows, self._station, "keep")


def _message(
    name: str, way: str, content: str, not_before_us: int, attempts: int
) -> Message | None:
    """A message as it was kept; None for one that can no longer be read."""
    try:
        return Message(name, way, json.loads(content), not_before_us, attempts)
    except ValueError:
        return None
