"""From what is wrong now to incidents: one begins when something has been wrong for a while,
and ends when it has been fine for a while.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from stream.alerts.conditions import Condition
from stream.store.messages import Incident

Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class IncidentChange:
    """An incident that has just begun, or just ended."""

    incident: Incident

    @property
    def ended(self) -> bool:
        """Whether it ended."""
        return self.incident.ended_us is not None


class Incidents:
    """Keeps what is going on.

    Parameters
    ----------
    going_on : iterable of Incident
        Those that had not ended when the service was last heard of.
    hold_us : int
        How long something must be wrong, or fine, without a break [µs].
    """

    def __init__(self, going_on: Iterable[Incident], hold_us: int) -> None:
        self._open: dict[Key, Incident] = {(i.rule, i.subject): i for i in going_on}
        self._since: dict[Key, int] = {}
        self._hold_us = hold_us

    @property
    def open(self) -> list[Incident]:
        """What is going on, the oldest first."""
        return sorted(self._open.values(), key=lambda i: (i.began_us, i.rule, i.subject))

    def look(self, found: Iterable[Condition], now_us: int) -> list[IncidentChange]:
        """Hold what is so now against what was; what has changed."""
        changes = []
        for condition in found:
            key = condition.rule, condition.subject
            going_on = self._open.get(key)
            changing = condition.sight == ("wrong" if going_on is None else "fine")
            if not changing:
                # What is neither leaves the waiting as it is only while an incident goes on.
                if condition.sight != "between" or going_on is None:
                    self._since.pop(key, None)
                continue
            since = min(self._since.setdefault(key, now_us), now_us)
            self._since[key] = since
            if now_us - since < self._hold_us:
                continue
            del self._since[key]
            if going_on is None:
                begun = Incident(*key, since, None, condition.text)
                self._open[key] = begun
                changes.append(IncidentChange(begun))
            else:
                del self._open[key]
                changes.append(IncidentChange(replace(going_on, ended_us=now_us)))
        return changes
