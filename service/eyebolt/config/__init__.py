"""The station file and the lens file as typed values, from text. Nothing here reads a file."""

from eyebolt.config.diagnostics import ConfigFault, lists_to_tuples
from eyebolt.config.lens_file import LensCovariance, LensRecord, lens_text, parse_lens, parse_lens_record
from eyebolt.config.schema import (
    BoardSection,
    CameraSection,
    GoalSection,
    RecordSection,
    RobotSection,
    StationSection,
)
from eyebolt.config.station_file import SECTIONS, Station, parse_station
from eyebolt.config.template import station_template

__all__ = [
    "SECTIONS",
    "BoardSection",
    "CameraSection",
    "ConfigFault",
    "GoalSection",
    "LensCovariance",
    "LensRecord",
    "RecordSection",
    "RobotSection",
    "Station",
    "StationSection",
    "lens_text",
    "lists_to_tuples",
    "parse_lens",
    "parse_lens_record",
    "parse_station",
    "station_template",
]
