"""The station file: what stands in the field, as frozen, validated models."""

from stream.science.flux.units import same_unit, senml_rule, unit_as_written
from stream.science.quality.likely import AIR_PRESSURE, AIR_TEMPERATURE, HEIGHT, Size
from stream.station.amend import amended
from stream.station.changed import changed
from stream.station.clock import read_clock
from stream.station.lids import closing_words
from stream.station.load import StationFile, load_station, url_beside
from stream.station.models import (
    Analyzer,
    Chamber,
    ClosureRules,
    Standard,
    Station,
    gases_of,
    lids_of_one_column,
)
from stream.station.notes import (
    BadPeriod,
    FieldNote,
    check_note,
    read_notes,
    standing,
)
from stream.station.sources import FolderSource, MqttSource, TablesSource

__all__ = [
    "AIR_PRESSURE",
    "AIR_TEMPERATURE",
    "HEIGHT",
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
    "changed",
    "check_note",
    "closing_words",
    "gases_of",
    "lids_of_one_column",
    "load_station",
    "read_clock",
    "read_notes",
    "same_unit",
    "senml_rule",
    "standing",
    "unit_as_written",
    "url_beside",
]
