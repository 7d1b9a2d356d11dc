"""The drafted station file as text: what the files tell, and a question for what they do not."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from math import ceil
from os.path import relpath
from pathlib import Path
from typing import Final

from stream.draft.analyzers import analyzer, analyzer_id, valve
from stream.draft.folders import kinds
from stream.draft.names import mark_of
from stream.draft.roles import Kind, Roles, count_of, is_running_total, lid_step_s, range_of
from stream.draft.sensors import ask, own_sensors, shared_sensors
from stream.draft.survey import Survey
from stream.ingest.delimited.header import split_unit


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
        [*_chambers(found, roles), *_field(), *_weather(found, roles), *_closure(found, roles)],
        _station(found, name),
        _sources(found, folder),
        _channels(found, roles),
        analyzer(found, roles),
        _defaults(found, roles),
    ]
    return "\n\n".join("\n".join(part) for part in (list(p) for p in parts) if part) + "\n"


_SHORT_S: Final = 240.0
_LONG_S: Final = 5000.0
"""Closures shorter or longer than the defaults allow."""


def _head() -> Iterator[str]:
    yield '# Drafted. Write an answer in place of each "? …", numbers without quotes.'


_PLACE: Final = {
    "plot": "plot, by the plan of the field",
    "treatment": "treatment of the plot, as unfertilized",
    "position": "kind of place, as ridge, furrow or tramline",
}


def _chambers(found: Survey, roles: Roles) -> Iterator[str]:
    start = min((int(c.series()[0][0]) for c in found.columns.values() if len(c.series()[0])),
                default=0)  # fmt: skip
    since = datetime.fromtimestamp(start / 1e6, UTC).date() - timedelta(days=1)
    port = valve(roles) is not None
    if not roles.ids:
        yield "# No column looks like a lid: add the chambers here."
        yield f"chambers = {ask('Which chambers are there? [{ id = …, lid_channel = … }]')}"
        return
    if roles.number is not None:
        header = found.columns[roles.number].header
        yield f"# A line for each number in {header!r}: delete those that are no chamber."
    yield (
        "chambers = [   # position: the same word on the same kind of place, one for all if alike;"
        " heights: of the headspace above the soil, since when"
    )
    for key, name in roles.ids.items():
        cells = [f'id = "{name}"']
        if port:
            cells.append(f"port = {ask('port of the selector valve')}")
        cells += [f"{k} = {ask(question)}" for k, question in _PLACE.items()]
        if key in roles.number_of:
            cells.append(f"lid_closed = {roles.number_of[key]}")
        elif roles.of_pattern("lid") is None:
            cells.append(f'lid_channel = "{roles.lid_of[key]}"')
        cells += list(own_sensors(key, roles))
        height = ask("height [m]")
        cells.append(f'heights = [{{ from = "{since}T00:00:00Z", height_m = {height} }}]')
        yield f"  {{ {', '.join(cells)} }},"
    yield "]"


def _field() -> Iterator[str]:
    """What no record tells, and a look at the field does."""
    breath = ask("Day on which a breath into each chamber showed at that one and no other")
    tape = ask("Day on which areas and heights were measured with a tape")
    yield f"checks = {{ breath_test = {breath}, tape_measured = {tape} }}"
    share = ask("share of the area of each position: { ridge = 0.45, furrow = 0.55 }")
    yield f"field = {{ positions = {share} }}"


def _station(found: Survey, name: str) -> Iterator[str]:
    yield "[station]"
    yield f'id = "{name}"'
    yield f"timezone = {ask('Zone of people at the station, as Europe/Copenhagen')}"
    if found.local:
        yield f"clock = {ask(_clock(found))}"
    yield f"latitude = {ask('Latitude [°], north positive: tells night and season')}"
    yield f"longitude = {ask('Longitude [°], east positive: tells the hour of the sun')}"
    yield f"elevation_m = {ask('Elevation [m]: gives the pressure where no barometer does')}"


def _clock(found: Survey) -> str:
    question = "Offset of the stamps that bear none, as +01:00"
    if found.zones:
        column, names = next(iter(found.zones.items()))
        return (
            f"The column {column} says {' and '.join(sorted(names))}: which zone is it, as"
            " Europe/Copenhagen?"
        )
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
    yield from (f"# {' '.join(note.split())}." for note in kinds(found.files))
    for (path, pattern), keys in found.sources.items():
        place = Path(relpath(path.resolve(), folder.resolve())).as_posix()
        yield "[[sources]]"
        yield 'kind = "folder"'
        yield f"path = {json.dumps(place, ensure_ascii=False)}"
        keys = {"pattern": pattern, **keys}
        yield from (f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in keys.items())


def _channels(found: Survey, roles: Roles) -> Iterator[str]:
    yield "# A channel a line; values outside range are kept, flagged and not used."
    yield "[channels]"
    shared = {
        pattern.replace("{id}", key): pattern
        for pattern in roles.patterns
        for key in roles.keys
        if _header_of(pattern, found, roles) is not None
    }
    left = list(found.left)
    told: set[str] = set()
    for name, kind in roles.kinds.items():
        shown = shared.get(name, name)
        if kind == "other" or (kind == "number" and name != roles.number):
            left.append(found.columns[name].header)
        elif name == roles.number:
            yield _lids_of_one_column(name, found, roles)
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
    shared: set[str] | None = None
    for key, name in roles.ids.items():
        column = found.columns[pattern.replace("{id}", key)]
        header, marked = column.header, set()
        for match in mark_of(key).finditer(column.plain.lower()):
            shown = header[match.start() : match.end()]
            if shown in (name, name.lower()):
                mark = "{id}" if shown == name.lower() else "{ID}"
                marked.add(f"{header[: match.start()]}{mark}{header[match.end() :]}")
        shared = marked if shared is None else shared & marked
    return min(shared) if shared else None


def _lids_of_one_column(name: str, found: Survey, roles: Roles) -> str:
    """A lid for each number in one column."""
    column = found.columns[name]
    cells = ['unit = "1"', f"column = {json.dumps(column.header, ensure_ascii=False)}"]
    pause = dict.fromkeys([*sorted(column.nothing), *column.states])
    if pause:
        words = ", ".join(f"{json.dumps(word, ensure_ascii=False)} = 0" for word in pause)
        cells.append(f"states = {{ {words} }}")
    told = f"   # all open at {' and '.join(map(repr, pause))}: right?" if pause else ""
    return f'"lid_{{id}}" = {{ {", ".join(cells)} }}{told}'


def _channel(shown: str, header: str, kind: Kind, name: str, found: Survey, roles: Roles) -> str:
    column = found.columns[name]
    unit, how = roles.units[name]
    cells = [f'unit = "{unit}"' if unit else f"unit = {ask(f'unit of {column.header}')}"]
    bounds = range_of(name, kind, unit)
    if bounds is not None:
        cells.append(f"range = [{bounds[0]}, {bounds[1]}]")
    if _without_unit(column.header) != name:
        cells.append(f"column = {json.dumps(header, ensure_ascii=False)}")
    same = [found.columns[shown.replace("{id}", key)] for key in roles.keys if "{id}" in shown]
    states = {w: n for c in same or [column] for w, n in c.states.items()}
    if states:
        words = ", ".join(
            f"{_key(w)} = {ask(_meaning(w, n, kind, found))}" for w, n in states.items()
        )
        cells.append(f"states = {{ {words} }}")
    return f"{_key(shown)} = {{ {', '.join(cells)} }}{f'   # {how}' if how else ''}"


def _key(name: str) -> str:
    plain = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if plain else json.dumps(name, ensure_ascii=False)


def _meaning(word: str, number: float, kind: Kind, found: Survey) -> str:
    """The question what a word stands for, with a guess for a lid's."""
    if kind != "lid":
        return f"number for {word}"
    lasted = (
        f", as {word} lasts {found.lasted[word]:.0f} s at a time" if word in found.lasted else ""
    )
    return f"{number:g}{lasted}? Write 1 where {word} means closed, 0 open, 2 moving"


def _without_unit(header: str) -> str:
    return split_unit(header)[0].casefold()


def _defaults(found: Survey, roles: Roles) -> Iterator[str]:
    if not roles.ids:
        return
    yield "# What all chambers share; {id} is a chamber's id in lower case."
    yield "[chamber_defaults]"
    yield f'analyzer = "{analyzer_id(roles)}"'
    pattern = roles.of_pattern("lid")
    if roles.by_port:
        header = found.columns[roles.number or ""].header
        question = (
            f"Is a lid closed exactly while {header} shows its number? Then write lid_{{id}};"
            " otherwise name the channel of each lid in its chamber's line, without lid_closed"
        )
        yield f"lid_channel = {ask(question)}"
    elif roles.number is not None:
        yield 'lid_channel = "lid_{id}"'
    elif pattern is not None:
        yield f'lid_channel = "{pattern}"'
    yield from shared_sensors(roles)
    if roles.number is not None:
        stay = roles.rotations[roles.number].stay_s
        yield f"lid_open = 0   # a number stands for {stay:.0f} s at a time: right?"
    else:
        lid = next(iter(roles.lids.values()))
        yield f"lid_closed = {lid.closed:g}   # held for {lid.closed_s:.0f} s at a time: right?"
        yield f"lid_open = {lid.open:g}"
    yield f"area_m2 = {ask('Area of soil under a chamber [m2]')}"
    yield f"extra_volume_m3 = {ask('Volume of tubing and cell [m3]; 0 for none')}"


def _weather(found: Survey, roles: Roles) -> Iterator[str]:
    rain = roles.all_of("rain")
    if not rain:
        return
    channel, told = f'"{rain[0]}"', "   # the amount since the record before: right?"
    if len(rain) > 1:
        channel, told = ask(f"Which gauge stands for the field: {', '.join(rain)}?"), ""
    elif is_running_total(found.columns[rain[0]].series()[1]):
        question = (
            f"{rain[0]} looks like a running total. Is it the amount since the record before?"
            f" Then write {rain[0]}; otherwise delete this line, and let the logger write that"
        )
        channel, told = ask(question), ""
    yield f"weather = {{ rain_channel = {channel} }}{told}"


def _closure(found: Survey, roles: Roles) -> Iterator[str]:
    cells = [f"expected_per_day = {round(count_of(roles))}"]
    lid = next(iter(roles.lids.values()), None)
    stay = lid.closed_s if lid else roles.rotations[roles.number].stay_s if roles.number else None
    told = ""
    if stay is not None and (valve(roles) is not None or stay < _SHORT_S):
        cells.append(f"min_duration_s = {max(round(stay / 120) * 60, 60)}.0")
        told = "   # half of the usual"
    if stay is not None and stay > _LONG_S:
        cells.append(f"max_duration_s = {round(stay / 60) * 75}.0")
        told += f"{',' if told else '   #'} a quarter over the usual"
    step = lid_step_s(found, roles)
    if step is not None:
        # The first record of a closed lid may be late by one interval, and loggers are not exact.
        cells.append(f"edge_tolerance_s = {ceil(1.25 * step)}.0")
        yield (
            f"# Lids are recorded every {step:g} s, so closing is known to no better than that: the"
            " shorter the closure"
        )
        yield "# and the more its gas bends, the less certain its flux. Record at least every 10 s."
    yield f"closure = {{ {', '.join(cells)} }}{told}"
