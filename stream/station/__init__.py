"""The station file: what stands in the field, as frozen, validated models."""

from stream.science.likely import AIR_PRESSURE, AIR_TEMPERATURE, HEIGHT, Size
from stream.science.units import same_unit, senml_rule, unit_as_written
from stream.station.amend import amended
from stream.station.checks import needed_channels
from stream.station.clock import fixed_offset_us, read_clock
from stream.station.load import StationFile, load_station, url_beside
from stream.station.models import (
    Analyzer,
    Chamber,
    ClosureRules,
    FolderSource,
    MqttSource,
    Standard,
    Station,
    TablesSource,
)
from stream.station.notes import (
    EVENTS,
    KINDS,
    BadPeriod,
    FieldNote,
    check_note,
    read_notes,
    standing,
)
from stream.station.plausible import refused_chambers

__all__ = [
    "AIR_PRESSURE",
    "AIR_TEMPERATURE",
    "EVENTS",
    "HEIGHT",
    "KINDS",
    "Analyzer",
    "BadPeriod",
    "Chamber",
    "ClosureRules",
    "FieldNote",
    "FolderSource",
    "MqttSource",
    "Size",
    "Standard",
    "Station",
    "StationFile",
    "TablesSource",
    "amended",
    "check_note",
    "fixed_offset_us",
    "load_station",
    "needed_channels",
    "read_clock",
    "read_notes",
    "refused_chambers",
    "same_unit",
    "senml_rule",
    "standing",
    "unit_as_written",
    "url_beside",
]
