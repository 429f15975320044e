"""The station file and the lens file as typed values, from text. Nothing here reads a file."""

from eyebolt.config.lens_file import lens_text, parse_lens
from eyebolt.config.schema import CameraSection, RobotSection
from eyebolt.config.station_file import Station, parse_station
from eyebolt.config.template import station_template

__all__ = [
    "CameraSection",
    "RobotSection",
    "Station",
    "lens_text",
    "parse_lens",
    "parse_station",
    "station_template",
]
