"""A station file with some settings changed, for a trial: nothing is written."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from pydantic import ValidationError

from stream.errors import StationFileError
from stream.station.checks.plausible import refused_chambers
from stream.station.checks.setup import faults
from stream.station.explain import explain
from stream.station.load import StationFile, digest_of, provenance_of
from stream.station.models import Station

_TABLES: Final = ("closure", "models", "uncertainty")
_LISTS: Final = ("analyzers", "chambers")


def changed(file: StationFile, settings: Mapping[str, Mapping[str, Any]]) -> StationFile:
    """The station file with other settings.

    Parameters
    ----------
    file : StationFile
        As amended.
    settings : mapping of str to mapping
        Keys of ``closure``, ``models`` and ``uncertainty``; of ``analyzers`` and
        ``chambers`` by their id: ``{"analyzers": {"laser": {"lag_s": 9.0}}}``.

    Raises
    ------
    StationFileError
        A setting is unknown, cannot be, or is not one that bears on a flux.
    """
    document = file.station.model_dump(by_alias=True, exclude_unset=True)
    for section, values in settings.items():
        if section in _TABLES:
            document[section] = {**document.get(section, {}), **_plain(values)}
        elif section in _LISTS:
            _change_list(document[section], section, values)
        else:
            known = ", ".join((*_TABLES, *_LISTS))
            raise StationFileError([f"{section}: not a setting to be tried; use one of {known}"])
    try:
        station = Station.model_validate(document)
    except ValidationError as error:
        raise StationFileError(list(explain(error))) from None
    if wrong := list(faults(station)):
        raise StationFileError(wrong)
    provenance = provenance_of(station, file.bad)
    return replace(
        file,
        station=station,
        digest=digest_of(provenance),
        provenance=provenance,
        refused_chambers=refused_chambers(station),
    )


def _change_list(
    entries: tuple[dict[str, Any], ...], section: str, values: Mapping[str, Any]
) -> None:
    """Change entries that are known by their id, in place."""
    by_id = {entry["id"]: entry for entry in entries}
    for name, keys in values.items():
        if name not in by_id:
            raise StationFileError([f"{section}: no {name!r}; there are {', '.join(by_id)}"])
        by_id[name].update(_plain(keys))


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    """Values without numpy's own kinds of number."""
    return {key: v.item() if hasattr(v, "item") else v for key, v in values.items()}
