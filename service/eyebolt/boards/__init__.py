"""Calibration boards: their kinds, their detection in an image, and the measurement of their corners. Pure."""

from eyebolt.boards.artwork import Artwork, Cells, Disc
from eyebolt.boards.board import BOARD_KEYS, MAX_COUNT_PER_SIDE, MAX_LENGTH_M, Board, BoardFault
from eyebolt.boards.charuco import CharucoBoard
from eyebolt.boards.chessboard import Chessboard
from eyebolt.boards.circle_grid import CircleGrid
from eyebolt.boards.detect import find_board, to_gray
from eyebolt.boards.detection import (
    AnyDetectionRecord,
    Detection,
    DetectionRecord,
    MarkerLayout,
    NoDetection,
    NoDetectionRecord,
    OtherMarkers,
    parse_detection,
)
from eyebolt.boards.exposure import DARK_IMAGE_LEVEL, SATURATED_IMAGE_FRACTION, ExposureStats, GrayImage
from eyebolt.boards.marker_dictionary import canonical_dictionary_name, dictionary_family, dictionary_names
from eyebolt.boards.marker_grid import MarkerGrid
from eyebolt.boards.registry import BOARD_KINDS, board_from_mm

__all__ = [
    "BOARD_KEYS",
    "BOARD_KINDS",
    "DARK_IMAGE_LEVEL",
    "MAX_COUNT_PER_SIDE",
    "MAX_LENGTH_M",
    "SATURATED_IMAGE_FRACTION",
    "AnyDetectionRecord",
    "Artwork",
    "Board",
    "BoardFault",
    "Cells",
    "CharucoBoard",
    "Chessboard",
    "CircleGrid",
    "Detection",
    "DetectionRecord",
    "Disc",
    "ExposureStats",
    "GrayImage",
    "MarkerGrid",
    "MarkerLayout",
    "NoDetection",
    "NoDetectionRecord",
    "OtherMarkers",
    "board_from_mm",
    "canonical_dictionary_name",
    "dictionary_family",
    "dictionary_names",
    "find_board",
    "parse_detection",
    "to_gray",
]
