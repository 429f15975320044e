"""What a board is, how it is found in an image and how its corners are measured. Pure."""

from eyebolt.boards.board import Board
from eyebolt.boards.detect import find_board, to_gray
from eyebolt.boards.detection import Detection, NoDetection, detection_from_json
from eyebolt.boards.exposure import GrayImage

__all__ = [
    "Board",
    "Detection",
    "GrayImage",
    "NoDetection",
    "detection_from_json",
    "find_board",
    "to_gray",
]
