"""What the field log adds to the station file: heights, events, yields, bad periods."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import fmean
from typing import Any

from stream.note_kinds import KINDS
from stream.station.checks.plausible import refused_chambers
from stream.station.clock import read_clock
from stream.station.load import StationFile, digest_of, provenance_of
from stream.station.models import Chamber, FieldEvent, Height, Season, Station
from stream.station.notes import BadPeriod, FieldNote, read_notes, standing

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NEVER = 2**62


def amended(file: StationFile, rows: Iterable[Mapping[str, Any]]) -> StationFile:
    """The station file with what people wrote into the field log since.

    A height that was measured is a dated height; of one moment the noted one stands. Events
    join ``[[events]]``; a yield counts where the station file has none for the treatment.
    The digest is that of the whole, so that a flux can be traced to the height it used.

    Parameters
    ----------
    file : StationFile
    rows : iterable of mapping
        Notes, as the store has them.

    Returns
    -------
    StationFile
        The same one where nothing was noted that bears on it.
    """
    notes = standing(read_notes(rows))
    if not notes:
        return file
    station = file.station
    changed = station.model_copy(
        update={
            "chambers": tuple(_with_heights(c, notes) for c in station.chambers),
            "events": (*station.events, *_events(station, notes)),
            "season": _with_yields(station, station.season, notes),
        }
    )
    bad = tuple(
        BadPeriod(n.at_us, _NEVER if n.until_us is None else n.until_us, n.about(station))
        for n in notes
        if n.kind == "bad"
    )
    provenance = provenance_of(changed, bad)
    return replace(
        file,
        station=changed,
        bad=bad,
        digest=digest_of(provenance),
        provenance=provenance,
        refused_chambers=refused_chambers(changed),
    )


def _with_heights(chamber: Chamber, notes: Sequence[FieldNote]) -> Chamber:
    dated = {h.from_: h for h in chamber.heights}
    for n in notes:
        if n.kind == "height" and n.chamber == chamber.id and n.amount is not None:
            at = _EPOCH + timedelta(microseconds=n.at_us)
            dated[at] = Height.model_validate({"from": at, "height_m": n.amount})
    if len(dated) == len(chamber.heights) and all(h in chamber.heights for h in dated.values()):
        return chamber
    return chamber.model_copy(update={"heights": tuple(dated[at] for at in sorted(dated))})


def _events(station: Station, notes: Sequence[FieldNote]) -> list[FieldEvent]:
    zone = read_clock(station.station.timezone)
    known = {(e.kind, e.day, e.treatment) for e in station.events}
    found = []
    for n in notes:
        if not KINDS[n.kind].event:
            continue
        day = (_EPOCH + timedelta(microseconds=n.at_us)).astimezone(zone).date()
        treatments = {c.treatment for c in station.chambers if c.id in n.about(station)}
        everywhere = treatments == {c.treatment for c in station.chambers}
        for treatment in [None] if everywhere else sorted(treatments):
            if (n.kind, day, treatment) not in known:
                event = {"kind": n.kind, "day": day, "amount": n.amount, "note": n.text}
                found.append(FieldEvent.model_validate({**event, "treatment": treatment or None}))
    return found


def _with_yields(
    station: Station, season: Season | None, notes: Sequence[FieldNote]
) -> Season | None:
    if season is None:
        return None
    noted: dict[str, list[float]] = {}
    for n in notes:
        if n.kind == "yield" and n.amount is not None:
            for treatment in {c.treatment for c in station.chambers if c.id in n.about(station)}:
                noted.setdefault(treatment, []).append(n.amount)
    fresh = {t: fmean(v) for t, v in noted.items() if t and t not in season.yield_t_ha}
    if not fresh:
        return season
    return season.model_copy(update={"yield_t_ha": {**season.yield_t_ha, **fresh}})
