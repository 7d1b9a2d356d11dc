"""The station file: what stands in the field, as frozen, validated models."""

from stream.science.units import senml_rule
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

__all__ = [
    "Analyzer",
    "Chamber",
    "ClosureRules",
    "FolderSource",
    "MqttSource",
    "Standard",
    "Station",
    "StationFile",
    "TablesSource",
    "fixed_offset_us",
    "load_station",
    "needed_channels",
    "read_clock",
    "senml_rule",
    "url_beside",
]
