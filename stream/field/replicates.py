"""What stands for a whole field once: a plot, a block, or all plots of a treatment together.

An emission is weighted by the area of each position, so that only chambers that together hold
every position make one value. Where each plot holds all positions the plot is the replicate.
Where a plot holds some of them, the plots of a block make one; and where there are no blocks
either, all plots of the treatment do, each position as the mean of its plots.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol


class Placed(Protocol):
    """A chamber, as far as its place in the field goes."""

    @property
    def id(self) -> str: ...

    @property
    def plot(self) -> str: ...

    @property
    def block(self) -> str: ...

    @property
    def treatment(self) -> str: ...

    @property
    def position(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Replicate:
    """Chambers that together hold every position.

    Attributes
    ----------
    plot, block, treatment : str
        ``plot`` joins the names of several with ``+``.
    chambers : tuple of int
        Which of the chambers that were given.
    """

    plot: str
    block: str
    treatment: str
    chambers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Design:
    """How the chambers of one treatment stand for the field.

    Attributes
    ----------
    treatment : str
    replicates : tuple of Replicate
        None where a position has no chamber.
    missing : tuple of str
        Positions without a chamber.
    """

    treatment: str
    replicates: tuple[Replicate, ...]
    missing: tuple[str, ...] = ()


def designs(
    chambers: Sequence[Placed], positions: Iterable[str], whole_plots: int = 0
) -> list[Design]:
    """The design of each treatment, in the order of the chambers.

    Parameters
    ----------
    chambers : sequence of Placed
        All that measure a gas.
    positions : iterable of str
        Positions with a share of the area; none where the field has no shares.
    whole_plots : int
        So many plots that hold every position are the replicates, whatever others lost; 0: only
        where all plots hold every position.
    """
    needed = tuple(positions)
    groups: dict[str, list[int]] = {}
    for i, c in enumerate(chambers):
        groups.setdefault(c.treatment, []).append(i)
    return [_design(name, mine, chambers, needed, whole_plots) for name, mine in groups.items()]


def _design(
    treatment: str,
    mine: Sequence[int],
    chambers: Sequence[Placed],
    needed: Sequence[str],
    whole_plots: int,
) -> Design:
    held = {chambers[i].position for i in mine}
    missing = tuple(p for p in needed if p not in held)
    if missing:
        return Design(treatment, (), missing)
    plots = _grouped(mine, [chambers[i].plot for i in mine])
    if _all_hold(plots, chambers, needed):
        return Design(treatment, _replicates(treatment, plots, chambers))
    whole = {name: them for name, them in plots.items() if _all_hold({"": them}, chambers, needed)}
    if 0 < whole_plots <= len(whole):
        return Design(treatment, _replicates(treatment, whole, chambers))
    blocks = _grouped(mine, [chambers[i].block for i in mine])
    if "" not in blocks and _all_hold(blocks, chambers, needed):
        return Design(treatment, _replicates(treatment, blocks, chambers))
    return Design(treatment, _replicates(treatment, {"": list(mine)}, chambers))


def _grouped(mine: Sequence[int], names: Sequence[str]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for i, name in zip(mine, names, strict=True):
        found.setdefault(name, []).append(i)
    return found


def _all_hold(
    groups: Mapping[str, Sequence[int]], chambers: Sequence[Placed], needed: Sequence[str]
) -> bool:
    return all(set(needed) <= {chambers[i].position for i in mine} for mine in groups.values())


def _replicates(
    treatment: str, groups: Mapping[str, Sequence[int]], chambers: Sequence[Placed]
) -> tuple[Replicate, ...]:
    return tuple(
        Replicate(
            "+".join(dict.fromkeys(chambers[i].plot for i in mine)),
            "+".join(dict.fromkeys(chambers[i].block for i in mine)),
            treatment,
            tuple(mine),
        )
        for mine in groups.values()
    )


def places_of(
    mine: Sequence[int], chambers: Sequence[Placed], *, shared: bool
) -> dict[str, dict[str, list[int]]]:
    """Chambers of a replicate by position, and by plot within.

    Parameters
    ----------
    mine : sequence of int
        Of the chambers.
    chambers : sequence of Placed
    shared : bool
        Whether the field has shares; otherwise all chambers stand in one place.
    """
    found: dict[str, dict[str, list[int]]] = {}
    for i in mine:
        position = chambers[i].position if shared else ""
        found.setdefault(position, {}).setdefault(chambers[i].plot, []).append(i)
    return found
