"""The board families there are. A new one is a module of its own and a line here."""

from eyebolt.boards.charuco import CHARUCO
from eyebolt.boards.chessboard import CHESSBOARD
from eyebolt.boards.circle_grid import CIRCLES
from eyebolt.boards.family import Family
from eyebolt.boards.marker_grid import GRID

FAMILIES: dict[str, Family] = {family.kind: family for family in (CHARUCO, CHESSBOARD, GRID, CIRCLES)}
