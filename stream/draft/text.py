"""The drafted station file as text: what the files tell, and a question for what they do not."""

import json
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from os.path import relpath
from pathlib import Path

import numpy as np

from stream.draft.roles import Kind, Roles, count_of, gas_of, own_columns, range_of
from stream.draft.survey import Survey
from stream.sources.header import split_unit


def draft_text(found: Survey, roles: Roles, folder: Path, name: str) -> str:
    """Write what is known of a station as its file.

    Parameters
    ----------
    found : Survey
    roles : Roles
    folder : Path
        Where the file will lie; paths of sources are relative to it.
    name : str
        The station's id.
    """
    parts = [
        _head(),
        _chambers(found, roles),
        _station(found, name),
        _sources(found, folder),
        _channels(found, roles),
        _analyzer(found, roles),
        _defaults(roles),
        _rest(roles),
    ]
    return "\n\n".join("\n".join(part) for part in (list(p) for p in parts) if part) + "\n"


def _ask(question: str) -> str:
    return json.dumps(f"? {question}", ensure_ascii=False)


def _head() -> Iterator[str]:
    yield '# Drafted. Write an answer in place of each "? …", numbers without quotes.'


def _chambers(found: Survey, roles: Roles) -> Iterator[str]:
    start = min((int(c.series()[0][0]) for c in found.columns.values() if len(c.series()[0])),
                default=0)  # fmt: skip
    since = datetime.fromtimestamp(start / 1e6, UTC).date() - timedelta(days=1)
    port = roles.first("port") is not None
    if not roles.keys:
        yield "# No column looks like a lid: add the chambers here."
        yield f"chambers = {_ask('Which chambers are there? [{ id = …, lid_channel = … }]')}"
        yield from _field()
        return
    yield "chambers = [   # heights: mean headspace height above the soil, since when"
    for lid, key in roles.keys.items():
        cells = [f'id = "{chamber_id(found.columns[lid].header, key)}"']
        if port:
            cells.append(f"port = {_ask('port of the selector')}")
        cells += [f"{k} = {_ask(k)}" for k in ("plot", "treatment", "position")]
        cells += list(_own(lid, key, roles))
        cells.append(
            f'heights = [{{ from = "{since}T00:00:00Z", height_m = {_ask("height [m]")} }}]'
        )
        yield f"  {{ {', '.join(cells)} }},"
    yield "]"
    yield from _field()


def _field() -> Iterator[str]:
    """What no record tells, and a look at the field does."""
    breath = _ask("Day on which a breath into each chamber showed at that one and no other")
    tape = _ask("Day on which areas and heights were measured with a tape")
    yield f"checks = {{ breath_test = {breath}, tape_measured = {tape} }}"
    share = _ask("share of the area of each position: { ridge = 0.45, furrow = 0.55 }")
    yield f"field = {{ positions = {share} }}"


_KEYS: dict[Kind, str] = {
    "lid": "lid_channel",
    "air": "air_temperature_channel",
    "soil": "soil_temperature_channel",
    "moisture": "soil_moisture_channel",
}


def _own(lid: str, key: str, roles: Roles) -> Iterator[str]:
    """Channels of one chamber that no pattern holds."""
    for kind, word in _KEYS.items():
        if roles.of_pattern(kind) is not None:
            continue
        mine = lid if kind == "lid" else own_columns(roles, key, kind)
        if mine is not None:
            yield f'{word} = "{mine}"'


def _station(found: Survey, name: str) -> Iterator[str]:
    yield "[station]"
    yield f'id = "{name}"'
    yield f"timezone = {_ask('Zone of people at the station, as Europe/Copenhagen')}"
    if found.local:
        yield f"clock = {_ask(_clock(found))}"
    yield f"latitude = {_ask('Latitude [°], north positive: tells night and season')}"
    yield f"longitude = {_ask('Longitude [°], east positive: tells the hour of the sun')}"
    yield f"elevation_m = {_ask('Elevation [m]: gives the pressure where no barometer does')}"


def _clock(found: Survey) -> str:
    question = "Offset of the stamps that bear none, as +01:00"
    if found.offsets:
        return f"{question}; other stamps bear {' and '.join(sorted(found.offsets))}"
    if len(found.starts) == 2:
        minutes = round((found.starts[True] - found.starts[False]) / 60e6 / 15) * 15
        if abs(minutes) <= 14 * 60:
            hours, rest = divmod(abs(minutes), 60)
            shown = f"{'-' if minutes < 0 else '+'}{hours:02d}:{rest:02d}"
            return f"{question}; the files' first records differ by {shown}"
    return question


def _sources(found: Survey, folder: Path) -> Iterator[str]:
    for (path, pattern), keys in found.sources.items():
        place = Path(relpath(path.resolve(), folder.resolve())).as_posix()
        yield "[[sources]]"
        yield 'kind = "folder"'
        yield f"path = {json.dumps(place, ensure_ascii=False)}"
        yield f"pattern = {json.dumps(pattern, ensure_ascii=False)}"
        yield from (f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in keys.items())


def _channels(found: Survey, roles: Roles) -> Iterator[str]:
    yield "# A channel a line; values outside range are kept, flagged and not used."
    yield "[channels]"
    shared = {
        pattern.replace("{id}", key): pattern
        for pattern in roles.patterns
        for key in roles.keys.values()
        if _header_of(pattern, found, roles) is not None
    }
    left = list(found.left)
    told: set[str] = set()
    for name, kind in roles.kinds.items():
        shown = shared.get(name, name)
        if kind == "other":
            left.append(found.columns[name].header)
        elif shown not in told:
            told.add(shown)
            header = found.columns[name].header
            yield _channel(
                shown, _header_of(shown, found, roles) or header, kind, name, found, roles
            )
    if left:
        yield f"# Left out: {', '.join(left[:12])}{' …' if len(left) > 12 else ''}"


def _header_of(pattern: str, found: Survey, roles: Roles) -> str | None:
    """The header that columns of a pattern share, with a mark for the chamber's id; None
    where their headers differ in more than that.
    """
    if "{id}" not in pattern:
        return None
    marked = set()
    for lid, key in roles.keys.items():
        column = found.columns[pattern.replace("{id}", key)]
        name = chamber_id(found.columns[lid].header, key)
        at = column.header.lower().rfind(key)
        if at < 0:
            return None
        shown = column.header[at : at + len(key)]
        if shown not in (name, name.lower()):
            return None
        mark = "{id}" if shown == name.lower() else "{ID}"
        marked.add(f"{column.header[:at]}{mark}{column.header[at + len(key) :]}")
    return marked.pop() if len(marked) == 1 else None


def chamber_id(header: str, key: str) -> str:
    """A chamber's id as its lid's header has it: ``Lid Ch01`` → ``Ch01``, ``lid_a1`` → ``A1``."""
    at = header.lower().rfind(key)
    shown = header[at : at + len(key)] if at >= 0 else key
    return re.sub(r"[^A-Za-z0-9._-]", "-", shown.upper() if shown == shown.lower() else shown)


def _channel(shown: str, header: str, kind: Kind, name: str, found: Survey, roles: Roles) -> str:
    column = found.columns[name]
    unit, how = roles.units[name]
    cells = [f'unit = "{unit}"' if unit else f"unit = {_ask(f'unit of {column.header}')}"]
    bounds = range_of(name, kind, unit)
    if bounds is not None:
        cells.append(f"range = [{bounds[0]}, {bounds[1]}]")
    if _without_unit(column.header) != name:
        cells.append(f"column = {json.dumps(header, ensure_ascii=False)}")
    if column.states:
        words = ", ".join(
            f"{json.dumps(w)} = {_ask(f'number for {w}: lid_closed, lid_open or another')}"
            for w in column.states
        )
        cells.append(f"states = {{ {words} }}")
    plain = shown.replace("_", "").replace("-", "").isalnum()
    key = shown if plain else json.dumps(shown)
    return f"{key} = {{ {', '.join(cells)} }}{f'   # {how}' if how else ''}"


def _without_unit(header: str) -> str:
    return split_unit(header)[0].casefold()


def _analyzer(found: Survey, roles: Roles) -> Iterator[str]:
    gases: dict[str, str] = {}
    for name, kind in roles.kinds.items():
        gas = gas_of(name) if kind == "gas" else None
        if gas is not None:
            gases.setdefault(gas, name)
    yield "[[analyzers]]"
    yield 'id = "analyzer"'
    if gases:
        yield f"gases = {{ {', '.join(f'{g} = {_quoted(n)}' for g, n in gases.items())} }}"
    else:
        yield f"gases = {_ask('Which gas is which channel? { N2O = …, CO2 = … }')}"
    water = roles.first("water")
    if water is not None:
        yield f"basis = {_ask('wet: mole fractions in moist air; dry: dry already')}"
        yield f'water_channel = "{water}"'
    else:
        yield f"basis = {_ask('dry? No column of water vapour is there to make moist air dry')}"
    port = roles.first("port")
    if port is not None:
        seen = ", ".join(f"{v:g}" for v in np.unique(found.columns[port].series()[1])[:40])
        yield f'port_channel = "{port}"   # seen: {seen}'
        yield f"flush_s = {_ask('How long is a line flushed after a port change [s]?')}"
        yield f"standards = {_ask('Ports of standard gases: [{ port = …, gas = …, value = … }]')}"
    yield f"lag_s = {_ask('From inlet to reading [s]: a breath at the inlet shows it')}"
    if gases:
        noise = ", ".join(
            f"{gas} = {_ask(f'standard deviation at 1 s [{roles.units[name][0]}]')}"
            for gas, name in gases.items()
        )
        yield f"precision = {{ {noise} }}"
    status = roles.first("status")
    if status is not None:
        values, counts = np.unique(found.columns[status].series()[1], return_counts=True)
        usual = f"{values[np.argmax(counts)]:g}" if len(values) else "0"
        yield f'status_channel = "{status}"'
        yield f"status_ok = [{usual}]   # its usual value"


def _quoted(name: str) -> str:
    return f'"{name}"'


def _defaults(roles: Roles) -> Iterator[str]:
    if not roles.keys:
        return
    yield "# What all chambers share; {id} is a chamber's id in lower case."
    yield "[chamber_defaults]"
    yield 'analyzer = "analyzer"'
    for kind, word in _KEYS.items():
        pattern = roles.of_pattern(kind)
        if pattern is not None:
            yield f'{word} = "{pattern}"'
    pressure = roles.first("pressure")
    if pressure is not None and roles.of_pattern("pressure") is None:
        yield f'pressure_channel = "{pressure}"'
    yield from _common_sensors(roles)
    lid = next(iter(roles.lids.values()))
    yield f"lid_closed = {lid.closed:g}   # held for {lid.closed_s:.0f} s at a time: right?"
    yield f"lid_open = {lid.open:g}"
    yield f"area_m2 = {_ask('Area of soil under a chamber [m2]')}"
    yield f"extra_volume_m3 = {_ask('Volume of tubing and cell [m3]; 0 for none')}"


def _common_sensors(roles: Roles) -> Iterator[str]:
    """One sensor of a kind, that no chamber has one of its own of."""
    for kind, word in _KEYS.items():
        mine = [name for name, k in roles.kinds.items() if k == kind]
        if kind == "lid" or not mine or roles.of_pattern(kind) is not None:
            continue
        if kind != "air" and len(mine) > 1:
            continue
        if not any(own_columns(roles, key, kind) for key in roles.keys.values()):
            yield f'{word} = "{mine[0]}"'


def _rest(roles: Roles) -> Sequence[str]:
    lines = ["[closure]", f"expected_per_day = {round(count_of(roles.lids))}"]
    lid = next(iter(roles.lids.values()), None)
    if lid is not None and roles.first("port") is not None:
        lines.append(f"min_duration_s = {round(lid.closed_s / 120) * 60}.0   # half of the usual")
    return lines
