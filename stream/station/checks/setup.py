"""What the station file means: faults that no single key shows."""

import difflib
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from stream.science.flux.calibration import NEEDS
from stream.science.flux.constants import MOLAR_MASS
from stream.science.flux.units import CHANNEL_UNITS
from stream.science.models import MODELS
from stream.station.checks.servers import server_faults
from stream.station.checks.sources import source_faults
from stream.station.clock import read_clock
from stream.station.models import Analyzer, Chamber, Station


def faults(station: Station) -> Iterator[str]:
    """Every fault of meaning, one line each: path, what is wrong, what to write."""
    yield from _site(station)
    yield from _channels(station)
    yield from _analyzers(station)
    yield from _chambers(station)
    yield from _rules(station)
    yield from _hand(station)
    yield from _field(station)
    yield from _season(station)
    yield from _archive(station)
    yield from source_faults(station)
    yield from server_faults(station)


def _repeated(names: list[str]) -> list[str]:
    return [name for name, n in Counter(names).items() if n > 1]


def _site(station: Station) -> Iterator[str]:
    zones = [
        ("station.timezone", station.station.timezone),
        ("station.clock", station.station.clock),
        *(
            (f"sources[{i}].clock", clock)
            for i, s in enumerate(station.sources)
            if (clock := getattr(s, "clock", None)) is not None
        ),
    ]
    for path, value in zones:
        try:
            read_clock(value)
        except ValueError as error:
            yield f"{path}: {error}"


def _channels(station: Station) -> Iterator[str]:
    for name, channel in station.channels.items():
        if channel.unit not in CHANNEL_UNITS:
            yield (
                f"channels.{name}.unit: unknown unit {channel.unit!r};"
                f" write one of {', '.join(CHANNEL_UNITS)}"
            )
        if channel.range is not None and not channel.range[0] < channel.range[1]:
            yield f"channels.{name}.range: the lower bound must come first and be smaller"


def _reference(
    station: Station, path: str, channel: str | None, quantities: tuple[str, ...]
) -> Iterator[str]:
    """A channel that is named must be defined, and measure the right quantity."""
    if channel is None:
        return
    defined = station.channels.get(channel)
    if defined is None:
        close = difflib.get_close_matches(channel, station.channels, n=1)
        meant = f", or write {close[0]!r} where that is meant" if close else ""
        added = f"add [channels.{channel}] with its unit"
        yield f"{path}: no channel {channel!r} is defined; {added}{meant}"
        return
    unit = CHANNEL_UNITS.get(defined.unit)
    if unit is not None and unit.quantity not in quantities:
        yield (
            f"{path}: channel {channel!r} has the unit {defined.unit!r}, a {unit.quantity};"
            f" it must be a {' or '.join(quantities)}"
        )


def _analyzers(station: Station) -> Iterator[str]:
    for name in _repeated([a.id for a in station.analyzers]):
        yield f"analyzers: the id {name!r} is used twice; give each its own"
    for i, a in enumerate(station.analyzers):
        path = f"analyzers[{i}]"
        for gas, channel in a.gases.items():
            if gas not in MOLAR_MASS:
                yield f"{path}.gases.{gas}: unknown gas; write one of {', '.join(MOLAR_MASS)}"
            yield from _reference(
                station, f"{path}.gases.{gas}", channel, ("mole fraction", "area")
            )
            yield from _areas(station, path, a, gas)
        for channel in _repeated(list(a.gases.values())):
            yield f"{path}.gases: two gases on the channel {channel!r}; give each its own"
        if a.basis == "wet" and a.water_channel is None:
            yield f'{path}.water_channel: missing; a wet basis needs one, or write basis = "dry"'
        yield from _reference(
            station, f"{path}.water_channel", a.water_channel, ("mole fraction", "number")
        )
        yield from _reference(station, f"{path}.port_channel", a.port_channel, ("number",))
        yield from _reference(station, f"{path}.standard_channel", a.standard_channel, ("number",))
        yield from _reference(station, f"{path}.status_channel", a.status_channel, ("number",))
        for gas in a.precision:
            if gas not in a.gases:
                yield f"{path}.precision.{gas}: the analyzer has no such gas; see its gases"
        yield from _standards(path, a, station.chambers_on(a.id))
        if not station.chambers_on(a.id):
            yield f"{path}.id: no chamber names the analyzer {a.id!r}; remove it or name it"


def _areas(station: Station, path: str, a: Analyzer, gas: str) -> Iterator[str]:
    """Peak areas are no mole fractions: what is needed to make them so."""
    channel = station.channels.get(a.gases[gas])
    unit = CHANNEL_UNITS.get(channel.unit) if channel else None
    if unit is None or unit.quantity != "area":
        return
    mine = [(j, s) for j, s in enumerate(a.standards) if s.gas == gas]
    if not mine:
        yield f"{path}.standards: {gas} is recorded as peak areas; add its standards"
    for j, s in mine:
        if s.unit is None:
            yield (
                f"{path}.standards[{j}].unit: missing; the channel counts peak areas, so say"
                ' what the value is in, as in unit = "nmol/mol"'
            )
    if a.response in {"none", "offset"}:
        yield f"{path}.response: {a.response!r} makes no mole fractions of peak areas"
    if a.sampling == "continuous":
        yield (
            f'{path}.sampling: peak areas come one by one; write sampling = "injections", or'
            ' "vials" for samples taken by hand'
        )
    if a.sampling == "injections" and gas not in a.precision:
        yield (
            f"{path}.precision.{gas}: missing; give the standard deviation of the peak area when"
            " one gas is injected again and again"
        )


def _standards(path: str, a: Analyzer, chambers: tuple[Chamber, ...]) -> Iterator[str]:
    if a.sampling == "vials":
        for key in ("port_channel", "standard_channel", "status_channel", "water_channel"):
            if getattr(a, key) is not None:
                yield f"{path}.{key}: vials have none; remove it"
    elif a.standards and not a.selector:
        yield (
            f"{path}.standards: only an analyzer with port_channel or standard_channel visits"
            " standards"
        )
    if a.port_channel and a.standard_channel:
        yield f"{path}.standard_channel: port_channel tells of standards already; remove one"
    if a.response != "none" and a.response != "auto":
        for gas in a.gases:
            known = {s.value for s in a.standards if s.gas == gas}
            needed = NEEDS[a.response]
            if known and len(known) < needed:
                yield (
                    f"{path}.response: {a.response!r} needs {needed} standards of different"
                    f" {gas}, and there are {len(known)}"
                )
            if a.response == "factor" and known == {0.0}:
                yield f"{path}.response: 'factor' needs a standard of {gas} that is not zero gas"
    taken = {c.port: c.id for c in chambers if c.port is not None}
    seen: set[tuple[int | str | None, str]] = set()
    for j, s in enumerate(a.standards):
        given, needed_key = (s.name, "name") if a.sampling == "vials" else (s.port, "port")
        if given is None:
            where = "the run's table" if a.sampling == "vials" else a.selector
            yield f"{path}.standards[{j}].{needed_key}: missing; it is how {where} names the gas"
        if s.unit is not None and (
            s.unit not in CHANNEL_UNITS or CHANNEL_UNITS[s.unit].quantity != "mole fraction"
        ):
            yield f"{path}.standards[{j}].unit: {s.unit!r} is no mole fraction; write nmol/mol"
        if s.gas not in a.gases:
            yield f"{path}.standards[{j}].gas: the analyzer does not measure {s.gas!r}"
        if s.port in taken:
            yield f"{path}.standards[{j}].port: port {s.port} belongs to chamber {taken[s.port]!r}"
        if given is not None and (given, s.gas) in seen:
            yield f"{path}.standards[{j}]: {s.gas} on {needed_key} {given} is given twice"
        seen.add((given, s.gas))


def _chambers(station: Station) -> Iterator[str]:
    for name in _repeated([c.id for c in station.chambers]):
        yield f"chambers: the id {name!r} is used twice; give each its own"
    shared = {a.id: a.shared for a in station.analyzers}
    vials = {a.id for a in station.analyzers if a.sampling == "vials"}
    ports: dict[tuple[str, int], str] = {}
    lids: dict[tuple[str, str], str] = {}
    for i, c in enumerate(station.chambers):
        path = f"chambers[{i}]"
        yield from _port(path, c, shared, ports)
        yield from _lid(
            path, c, lids, by_hand=c.analyzer in vials, alone=not shared.get(c.analyzer, True)
        )
        yield from _sensors(station, path, c)
        for j in range(1, len(c.heights)):
            if not c.heights[j - 1].from_ < c.heights[j].from_:
                yield (
                    f"{path}.heights[{j}].from: not later than the height before it;"
                    " each holds until the next, so write them in order, each date once"
                )
        if station.field.positions and c.position not in station.field.positions:
            yield (
                f"{path}.position: {c.position!r} has no area fraction in [field.positions];"
                f" write one of {', '.join(station.field.positions)}"
            )


def _port(
    path: str, c: Chamber, shared: dict[str, bool], ports: dict[tuple[str, int], str]
) -> Iterator[str]:
    """The analyzer of a chamber and its port; ``ports`` gains it."""
    if c.analyzer not in shared:
        yield f"{path}.analyzer: no analyzer {c.analyzer!r}; it is one of {', '.join(shared)}"
    elif shared[c.analyzer] and c.port is None:
        yield f"{path}.port: missing; the analyzer {c.analyzer!r} has a port selector"
    elif not shared[c.analyzer] and c.port is not None:
        yield f"{path}.port: the analyzer {c.analyzer!r} has no port_channel; remove one"
    if c.port is not None:
        other = ports.setdefault((c.analyzer, c.port), c.id)
        if other != c.id:
            yield f"{path}.port: port {c.port} belongs to chamber {other!r} already"


def _lid(
    path: str, c: Chamber, lids: dict[tuple[str, str], str], *, by_hand: bool, alone: bool
) -> Iterator[str]:
    """The lid of a chamber; ``alone`` is whether it has its line to itself, ``lids`` gains it
    then.
    """
    for key in ("lid_channel", "air_temperature_channel"):
        if getattr(c, key) is None and not by_hand:
            yield f"{path}.{key}: missing; it must be given"
    if by_hand and c.lid_channel is not None:
        yield f"{path}.lid_channel: a chamber that is sampled by hand has none; remove it"
    if alone and c.lid_channel is not None:
        other = lids.setdefault((c.analyzer, c.lid_channel), c.id)
        if other != c.id:
            yield (
                f"{path}.lid_channel: chamber {other!r} on the same line has"
                f" {c.lid_channel!r} already; each lid needs its own. Lids that stand in one"
                " column each have a channel with the same column"
            )
    if c.lid_closed == c.lid_open:
        yield f"{path}.lid_open: the same value as lid_closed; they must differ"


def _sensors(station: Station, path: str, c: Chamber) -> Iterator[str]:
    for key, quantities in (
        ("lid_channel", ("number",)),
        ("air_temperature_channel", ("temperature",)),
        ("pressure_channel", ("pressure",)),
        ("soil_temperature_channel", ("temperature",)),
        ("soil_moisture_channel", ("volume fraction", "number")),
    ):
        yield from _reference(station, f"{path}.{key}", getattr(c, key), quantities)


def _rules(station: Station) -> Iterator[str]:
    r = station.closure
    if not r.dead_band_s < r.min_duration_s:
        yield "closure.dead_band_s: must be less than min_duration_s, or no points are left"
    if not r.min_duration_s < r.max_duration_s:
        yield "closure.max_duration_s: must be more than min_duration_s"
    measured = {gas for a in station.analyzers for gas in a.gases}
    for gas in r.ambient:
        if gas not in measured:
            yield f"closure.ambient.{gas}: no analyzer measures it; see gases"
    for gas, (low, high) in r.start_range.items():
        if gas not in measured:
            yield f"closure.start_range.{gas}: no analyzer measures it; see gases"
        if not low < high:
            yield f"closure.start_range.{gas}: the lower bound must come first and be smaller"
    for j, name in enumerate(station.models.candidates):
        if name not in MODELS:
            known = ", ".join(MODELS)
            yield f"models.candidates[{j}]: unknown model {name!r}; write one of {known}"
    for name in _repeated(list(station.models.candidates)):
        yield f"models.candidates: {name!r} is listed twice"
    default = station.models.default
    if default != "auto" and default not in station.models.candidates:
        yield f'models.default: {default!r} is not among the candidates; add it or write "auto"'


def _hand(station: Station) -> Iterator[str]:
    minutes = station.hand.sample_minutes
    if any(b <= a for a, b in pairwise(minutes)):
        yield "hand.sample_minutes: write them in order, each once"


def _field(station: Station) -> Iterator[str]:
    rules = station.field
    later = [(f"field.positions_from[{i}]", p) for i, p in enumerate(rules.positions_from)]
    for path, fractions in [
        ("field", rules.positions),
        *((path, p.positions) for path, p in later),
    ]:
        total = sum(fractions.values())
        if fractions and abs(total - 1.0) > 1e-6:
            yield f"{path}.positions: the area fractions sum to {total:g}, not 1"
    for path, p in later:
        for name in p.positions:
            if name not in rules.positions:
                yield f"{path}.positions.{name}: not among field.positions; add it there, as 0.0"
    if any(not a.from_ < b.from_ for a, b in pairwise(rules.positions_from)):
        yield "field.positions_from: write them in order, each day once"
    for key, quantities in (
        ("rain_channel", ("length",)),
        ("soil_temperature_channel", ("temperature",)),
        ("soil_moisture_channel", ("volume fraction", "number")),
    ):
        channel = getattr(station.weather, key)
        yield from _reference(station, f"weather.{key}", channel, quantities)
    treatments = {c.treatment for c in station.chambers}
    for i, e in enumerate(station.events):
        if e.treatment is not None and e.treatment not in treatments:
            yield f"events[{i}].treatment: no chamber has the treatment {e.treatment!r}"


def _season(station: Station) -> Iterator[str]:
    season = station.season
    if season is None:
        return
    if not season.start < season.end:
        yield "season.end: must be later than season.start"
    treatments = {c.treatment for c in station.chambers}
    for key in ("nitrogen_kg_ha", "yield_t_ha"):
        for treatment in getattr(season, key):
            if treatment not in treatments:
                yield f"season.{key}.{treatment}: no chamber has the treatment {treatment!r}"
    if season.reference is not None and season.reference not in treatments:
        yield f"season.reference: no chamber has the treatment {season.reference!r}"


def _archive(station: Station) -> Iterator[str]:
    rules = station.archive
    if 0 < rules.keep_days <= rules.after_days:
        yield (
            f"archive.keep_days: {rules.keep_days} is not more than after_days"
            f" ({rules.after_days}); write more, or 0 to keep all"
        )
