"""The board families there are. A new one is a module of its own and a line here."""

from eyebolt.boards.charuco import CHARUCO
from eyebolt.boards.chessboard import CHESSBOARD
from eyebolt.boards.circle_grid import CIRCLES
from eyebolt.boards.family import BoardKind
from eyebolt.boards.marker_grid import GRID

BOARD_KINDS: dict[str, BoardKind] = {board_kind.kind: board_kind for board_kind in (CHARUCO, CHESSBOARD, GRID, CIRCLES)}
