"""What records show of lag, flushing and dead band: a proposal, and what it rests on."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from stream.science.planning.response import Stack


@dataclass(frozen=True, slots=True)
class Proposal:
    """What the records of one analyzer and gas show.

    Attributes
    ----------
    analyzer, gas : str
    what : str
        ``lid`` or ``port``: which edge.
    events : int
        How many edges.
    lag_s, lag_se_s : float
        From inlet to reading, mixing included; NaN where it cannot be told.
    delay_s, mixing_s : float
        Its parts, of port edges; NaN of lids.
    settled_s : float or None
        When the dead band, or the flushing, may end; None where it does not settle.
    lag_now_s, settled_now_s : float
        As the station file has it.
    edge : Stack
        Of port edges the share of the step that is still to come, in time of the record;
        of lids the level less that from before, in units of the closure's rise.
    rest : Stack
        Deviation from where it settles, in time at the inlet.
    """

    analyzer: str
    gas: str
    what: str
    events: int
    lag_s: float
    lag_se_s: float
    delay_s: float
    mixing_s: float
    settled_s: float | None
    lag_now_s: float
    settled_now_s: float
    edge: Stack
    rest: Stack

    @property
    def key(self) -> str:
        """The key of the station file that ``settled_s`` is for."""
        return "closure.dead_band_s" if self.what == "lid" else f"{self.analyzer}: flush_s"

    def sentences(self) -> Iterator[str]:
        """For people."""
        edges = "closures" if self.what == "lid" else "port changes"
        yield f"{self.analyzer}, {self.gas}: {self.events} {edges}"
        if math.isnan(self.lag_s):
            yield "  lag_s: cannot be told from these records"
        else:
            parts = (
                f" (delay {self.delay_s:.1f}, mixing {self.mixing_s:.1f})"
                if self.what == "port"
                else ""
            )
            yield (
                f"  lag_s = {self.lag_s:.1f} ± {1.96 * self.lag_se_s:.1f}{parts};"
                f" now {self.lag_now_s:g}"
            )
        name = self.key.rsplit(".", 1)[-1].rsplit(" ", 1)[-1]
        if self.settled_s is None:
            yield f"  {name}: no end of settling is seen; look at the picture"
        else:
            yield f"  {name} = {self.settled_s:.0f} or more; now {self.settled_now_s:g}"
