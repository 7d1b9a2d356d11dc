"""Which sensor serves which chamber: said where names tell it, asked where they do not."""

import json
from collections.abc import Iterator
from typing import Final

from stream.draft.roles import Kind, Roles, own_columns

SENSORS: Final[dict[Kind, str]] = {
    "air": "air_temperature_channel",
    "soil": "soil_temperature_channel",
    "moisture": "soil_moisture_channel",
    "pressure": "pressure_channel",
}
_WHAT: Final[dict[Kind, str]] = {
    "air": "air temperature in the headspace",
    "soil": "soil temperature",
    "moisture": "soil moisture",
    "pressure": "outdoor air pressure",
}
_MOST_NAMES: Final = 12


def ask(question: str) -> str:
    """A blank with its question, as TOML."""
    return json.dumps(f"? {question}", ensure_ascii=False)


def own_sensors(key: str, roles: Roles) -> Iterator[str]:
    """Sensors of one chamber, by its key in their names."""
    for kind, word in SENSORS.items():
        mine = None if patterns(roles, kind) else own_columns(roles, key, kind)
        if mine is not None:
            yield f'{word} = "{mine}"'


def shared_sensors(roles: Roles) -> Iterator[str]:
    """Sensors in ``[chamber_defaults]``, with a question where names do not tell."""
    for kind, word in SENSORS.items():
        shared = patterns(roles, kind)
        own = {key: own_columns(roles, key, kind) for key in roles.keys}
        free = [n for n, k in roles.kinds.items() if k == kind and n not in own.values()]
        if len(shared) == 1:
            yield f'{word} = "{shared[0]}"'
        elif shared:
            yield f"{word} = {ask(f'Which is the {_WHAT[kind]}: {_listed(shared)}?')}"
        elif all(own.values()):
            continue
        elif kind == "pressure" and len(free) == 1:
            yield f'{word} = "{free[0]}"'
        elif kind == "pressure" and free:
            question = f"Which is the {_WHAT[kind]}, not that of the cell: {_listed(free)}?"
            yield f"{word} = {ask(question)}"
        elif any(own.values()):
            left = ", ".join(roles.ids[key] for key, mine in own.items() if mine is None)
            yield f"{word} = {ask(_rest(kind, left, word))}"
        elif free:
            yield f"{word} = {ask(_which(kind, free, word))}"
        elif kind == "air":
            question = f"No column of {_WHAT[kind]}, which every flux needs: which channel is it?"
            yield f"{word} = {ask(question)}"


def patterns(roles: Roles, kind: Kind) -> list[str]:
    """Patterns of a kind: every chamber has one of each."""
    return [name for name, k in roles.patterns.items() if k == kind]


def _rest(kind: Kind, left: str, word: str) -> str:
    end = "" if kind == "air" else ", or delete this line where they have none"
    return f"{_WHAT[kind].capitalize()} of {left}: write the channel{end}"


def _which(kind: Kind, free: list[str], word: str) -> str:
    if len(free) == 1:
        return (
            f"Does {free[0]} serve all chambers? Then write {free[0]}; if it belongs to some,"
            f" delete this line and write {word} into their lines"
        )
    return (
        f"Which {_WHAT[kind]} belongs to which chamber: {_listed(free)}? If one serves all, write"
        f" it; otherwise delete this line and write {word} into each chamber's line"
    )


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    return ", ".join(names[:_MOST_NAMES]) + more
