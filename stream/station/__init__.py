"""The station file: what stands in the field, as frozen, validated models."""

from stream.science.flux.units import same_unit, senml_rule, unit_as_written
from stream.science.quality.likely import AIR_PRESSURE, AIR_TEMPERATURE, HEIGHT, Size
from stream.station.amend import amended
from stream.station.changed import changed
from stream.station.checks.plausible import refused_chambers
from stream.station.checks.setup import needed_channels
from stream.station.clock import fixed_offset_us, read_clock
from stream.station.gases import gases_of
from stream.station.lids import closing_words, lids_of_one_column
from stream.station.load import StationFile, load_station, url_beside
from stream.station.models import Analyzer, Chamber, ClosureRules, Standard, Station
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
    "fixed_offset_us",
    "gases_of",
    "lids_of_one_column",
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
