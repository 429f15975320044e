"""The board families there are. A new one is a module of its own and a line here."""

from eyebolt.board.charuco import CHARUCO
from eyebolt.board.chessboard import CHESSBOARD
from eyebolt.board.circles import CIRCLES
from eyebolt.board.family import Family
from eyebolt.board.grid import GRID

FAMILIES: dict[str, Family] = {family.kind: family for family in (CHARUCO, CHESSBOARD, GRID, CIRCLES)}
