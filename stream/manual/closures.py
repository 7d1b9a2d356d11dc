"""Closures that were sampled by hand, as tables of vials tell them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stream.manual.tables import ManualTable, VialSample
from stream.science.closures.lid import LidClosure


@dataclass(frozen=True, slots=True)
class ManualClosure:
    """One closure of a chamber by hand, with its rows in order of time."""

    chamber: str
    closed_us: int
    opened_us: int
    samples: tuple[tuple[str, VialSample], ...]
    """(campaign, row)"""

    @property
    def lid(self) -> LidClosure:
        """As if a lid had told of it."""
        return LidClosure(
            closed_us=self.closed_us,
            opened_us=self.opened_us,
            close_seen=True,
            open_seen=True,
            still_closed=False,
            close_gap_us=0,
            open_gap_us=0,
            moving_us=0,
            bounces=0,
        )

    @property
    def flags(self) -> frozenset[str]:
        """Flags of what its rows note that cannot be right."""
        return frozenset().union(*(s.flags for _, s in self.samples))

    def noted(self, name: str) -> float:
        """Mean of what the rows note of the headspace, NaN where none does."""
        values = [v for _, s in self.samples if (v := getattr(s, name)) is not None]
        return float(np.mean(values)) if values else float("nan")


def closures_in(tables: Sequence[ManualTable]) -> list[ManualClosure]:
    """Closures of all tables of vials, in order of chamber and time."""
    rows: dict[tuple[str, int], list[tuple[str, VialSample]]] = {}
    for table in tables:
        for sample in table.samples:
            rows.setdefault((sample.chamber, sample.closed_us), []).append((table.name, sample))
    found = []
    for (chamber, closed), mine in sorted(rows.items()):
        ordered = sorted(mine, key=lambda item: (item[1].sampled_us, item[0], item[1].line))
        last = ordered[-1][1].sampled_us
        told = [s.opened_us for _, s in ordered if s.opened_us is not None]
        found.append(ManualClosure(chamber, closed, max([last, *told]), tuple(ordered)))
    return found
