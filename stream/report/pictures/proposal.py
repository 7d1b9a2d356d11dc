"""What is proposed for lag, flushing and dead band, as a picture."""

import math
from pathlib import Path

import numpy as np

from stream.report.pictures.style import BLUE, GREY, OCHRE, picture
from stream.science.planning.proposal import Proposal


def draw_proposal(proposal: Proposal, path: Path) -> None:
    """The edge with its lag, and what is left of it with the time from which it has settled.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    lid = proposal.what == "lid"
    with picture(path, 2, 1, 6.4, 6.4) as (edge, rest):
        e, r = proposal.edge, proposal.rest
        edge.plot(e.t, e.median, "-", color=BLUE, lw=1.4)
        edge.fill_between(
            e.t, e.median - 1.96 * e.se, e.median + 1.96 * e.se, color=BLUE, alpha=0.2, lw=0
        )
        edge.axvline(0.0, color="black", lw=0.8)
        edge.axvline(proposal.lag_now_s, color=GREY, ls="--", lw=1.2, label="lag now")
        if not math.isnan(proposal.lag_s):
            edge.axvline(proposal.lag_s, color=OCHRE, lw=1.4, label=f"lag {proposal.lag_s:.1f} s")
        edge.set_xlim(-20, 80 if lid else min(80.0, float(e.t[-1])))
        if lid:
            seen = e.median[(e.t > -20) & (e.t < 80)]
            edge.set_ylim(float(np.nanmin(seen)) - 0.02, float(np.nanmax(seen)) + 0.02)
        since = "since the lid closed" if lid else "since the port changed"
        edge.set_xlabel(f"time of the record {since} [s]")
        edge.set_ylabel("level over the closure's rise" if lid else "share of the step to come")
        name = "closures" if lid else "port changes"
        edge.set_title(f"{proposal.analyzer}, {proposal.gas}: {proposal.events} {name}, median")
        edge.legend()
        rest.plot(r.t, 100 * r.median, "-", color=BLUE, lw=1.2)
        rest.fill_between(
            r.t, 100 * (r.median - 3 * r.se), 100 * (r.median + 3 * r.se), color=BLUE, alpha=0.2,
            lw=0, label="± 3 standard errors",
        )  # fmt: skip
        rest.axhspan(-0.5, 0.5, color=GREY, alpha=0.15, lw=0, label="settled: within 0.5 %")
        now = "dead band now" if lid else "flush now"
        rest.axvline(proposal.settled_now_s, color=GREY, ls="--", lw=1.2, label=now)
        if proposal.settled_s is not None:
            rest.axvline(
                proposal.settled_s, color=OCHRE, lw=1.4, label=f"from {proposal.settled_s:.0f} s"
            )
        rest.set_ylim(-5, 5)
        rest.set_xlabel(f"time at the inlet {since} [s]")
        rest.set_ylabel("off the curve followed back [% of rise]" if lid else "off [% of step]")
        rest.legend(loc="upper right")
