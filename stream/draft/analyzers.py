"""The analyzers of a drafted station: one for all chambers, or a sensor in each."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from stream.draft.roles import Kind, Roles, gas_of
from stream.draft.sensors import ask
from stream.draft.survey import Survey

_NOISE: Final = (
    "1-sigma noise of readings 1 s apart [{unit}]: from the analyzer's data sheet, or the"
    " standard deviation over a minute of steady gas"
)


def analyzer_id(roles: Roles) -> str:
    """Id of the analyzer, with ``{id}`` where each chamber has its own."""
    return "sensor_{id}" if _own_gases(roles) else "analyzer"


def valve(roles: Roles) -> str | None:
    """The column of the port of a shared analyzer."""
    return None if roles.by_port or _own_gases(roles) else roles.first("port")


def analyzer(found: Survey, roles: Roles) -> Iterator[str]:
    """``[[analyzers]]``, line by line."""
    own = _own_gases(roles)
    gases = dict(_gases(roles, own))
    if own:
        yield "# An analyzer for each chamber: {id} is the chamber's id in lower case."
    yield "[[analyzers]]"
    yield f'id = "{analyzer_id(roles)}"'
    if gases:
        yield f"gases = {{ {', '.join(f'{gas} = {told}' for gas, told in gases.items())} }}"
    else:
        yield f"gases = {ask('Which gas is which channel? { N2O = …, CO2 = … }')}"
    yield from _water(roles, own)
    port = valve(roles)
    if port is not None:
        seen = ", ".join(f"{v:g}" for v in np.unique(found.columns[port].series()[1])[:40])
        yield f'port_channel = "{port}"   # seen: {seen}'
        yield f"flush_s = {ask('How long is a line flushed after a port change [s]?')}"
        yield f"standards = {ask('Ports of standard gases: [{ port = …, gas = …, value = … }]')}"
    yield f"lag_s = {ask('From inlet to reading [s]: a breath at the inlet shows it')}"
    if gases:
        first = {gas: next(n for n in roles.all_of("gas") if gas_of(n) == gas) for gas in gases}
        noise = ", ".join(
            f"{gas} = {ask(_NOISE.format(unit=roles.units[name][0]))}"
            for gas, name in first.items()
        )
        yield f"precision = {{ {noise} }}"
    yield from _status(found, roles, own)


def _own_gases(roles: Roles) -> dict[str, str]:
    """Gas → pattern of the columns of which every chamber has one."""
    found: dict[str, list[str]] = {}
    for pattern, kind in roles.patterns.items():
        gas = gas_of(pattern) if kind == "gas" else None
        if gas is not None:
            found.setdefault(gas, []).append(pattern)
    return {gas: patterns[0] for gas, patterns in found.items() if len(patterns) == 1}


def _gases(roles: Roles, own: dict[str, str]) -> Iterator[tuple[str, str]]:
    """Gas → its channel as TOML, or the question which one it is."""
    columns: dict[str, list[str]] = {}
    for name in roles.all_of("gas"):
        columns.setdefault(gas_of(name) or "", []).append(name)
    for gas, names in columns.items():
        listed = ", ".join(names)
        pattern = own.get(gas)
        if pattern is not None:
            theirs = {pattern.replace("{id}", key) for key in roles.keys}
            others = [name for name in names if name not in theirs]
            question = (
                f"Is it {pattern}, the chamber's own, or one of {', '.join(others)}? Write its"
                " channel"
            )
            yield gas, ask(question) if others else f'"{pattern}"'
        elif len(names) > 1:
            question = (
                f"Which channel is {gas} of which chamber: {listed}? If one serves all, write it;"
                " otherwise write one of [[analyzers]] for each, and analyzer into the line of"
                " each chamber"
            )
            yield gas, ask(question)
        elif own:
            question = (
                f"{listed} is one column for all chambers, beside sensors of their own. Write"
                f" {listed} if one lid is closed at a time and every chamber is on that line;"
                " otherwise delete this gas, here and in precision"
            )
            yield gas, ask(question)
        else:
            yield gas, f'"{names[0]}"'


def _water(roles: Roles, own: dict[str, str]) -> Iterator[str]:
    waters = roles.all_of("water")
    pattern = roles.of_pattern("water") if own else None
    if not waters:
        yield f"basis = {ask('dry? No column of water vapour is there to make moist air dry')}"
        return
    yield f"basis = {ask('wet: mole fractions in moist air; dry: dry already')}"
    which = ask(f"Which is the water vapour of the measured gas: {', '.join(waters)}?")
    told = pattern or (waters[0] if len(waters) == 1 else None)
    yield f"water_channel = {which if told is None else _quoted(told)}"


def _status(found: Survey, roles: Roles, own: dict[str, str]) -> Iterator[str]:
    kind: Kind = "status"
    first = roles.first(kind)
    if first is None:
        return
    values, counts = np.unique(found.columns[first].series()[1], return_counts=True)
    usual = f"{values[np.argmax(counts)]:g}" if len(values) else "0"
    yield f"status_channel = {_quoted((roles.of_pattern(kind) if own else None) or first)}"
    yield f"status_ok = [{usual}]   # its usual value"


def _quoted(name: str) -> str:
    return f'"{name}"'
