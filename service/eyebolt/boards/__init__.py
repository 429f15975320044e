"""What a board is, how it is found in an image and how its corners are measured. Pure."""

from eyebolt.boards.board import Board
from eyebolt.boards.detect import as_gray, find_board
from eyebolt.boards.detection import NoSighting, Sighting, sighting_from_json
from eyebolt.boards.exposure import Pixels

__all__ = [
    "Board",
    "NoSighting",
    "Pixels",
    "Sighting",
    "as_gray",
    "find_board",
    "sighting_from_json",
]
