"""Following the board from image to image: it is searched where it was, and in the whole image only now and then.

All searches are the quick one on a reduced image, but for one every other second while the board is lost: boards of
a few pixels per square need it, and it takes up to half a second in vain at 5 megapixels.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from eyebolt.boards import Board, Detection, GrayImage, NoDetection, find_board
from eyebolt.geometry import Array

_MARGIN_SHARE = 0.15
"""Margin about the corners, as a share of their extent: an inner corner has a square beside it."""
_MARGIN_PX = 40.0
_WHOLE_IMAGE_INTERVAL_S = 0.3
"""An image without the board takes up to ten times as long to search as one with it."""
THOROUGH_INTERVAL_S = 2.0
"""Of images of 5 megapixels, on which a whole search takes up to half a second."""


@dataclass
class BoardFollower:
    """Searches one board in successive images."""

    board: Board
    thorough_interval_s: float = THOROUGH_INTERVAL_S
    """Time between two whole searches while the board is lost, seconds."""
    _last: Detection | None = None
    _velocity_px_s: Array = field(default_factory=lambda: np.zeros(2))
    _last_s: float = 0.0
    _searched_s: float = -np.inf
    _thorough_s: float = -np.inf

    def find(self, gray: GrayImage, exposed_s: float) -> Detection | NoDetection | None:
        """The board in the image ``gray`` (H, W) exposed at ``exposed_s``; None if it was not searched everywhere.

        First where the last two images predict it, then in the whole image if that was not searched in vain just now.
        """
        found: Detection | NoDetection | None = None
        if self._last is not None:
            found = self._find_nearby(gray, exposed_s, self._last)
        if not isinstance(found, Detection):
            if self._last is None and exposed_s - self._searched_s < _WHOLE_IMAGE_INTERVAL_S:
                return None
            found, self._searched_s = self._find_anywhere(gray, exposed_s), exposed_s
        if isinstance(found, Detection):
            before, elapsed_s = self._last, exposed_s - self._last_s
            self._velocity_px_s = np.zeros(2)
            if before is not None and 0 < elapsed_s < _WHOLE_IMAGE_INTERVAL_S:
                moved_px = found.corners_px.mean(axis=0) - before.corners_px.mean(axis=0)
                self._velocity_px_s = moved_px / elapsed_s
            self._last, self._last_s, self._searched_s = found, exposed_s, -np.inf
        else:
            self._last = None
        return found

    def _find_anywhere(self, gray: GrayImage, exposed_s: float) -> Detection | NoDetection:
        found = find_board(gray, self.board, is_quick=True)
        # A board that was followed until now is smeared or leaves the view.
        is_lost = self._last is None and exposed_s - self._thorough_s >= self.thorough_interval_s
        if isinstance(found, Detection) or not is_lost:
            return found
        self._thorough_s = exposed_s
        return find_board(gray, self.board)

    def _find_nearby(self, gray: GrayImage, exposed_s: float, last: Detection) -> Detection | None:
        shift_px = self._velocity_px_s * (exposed_s - self._last_s)
        low, high = last.corners_px.min(axis=0), last.corners_px.max(axis=0)
        margin_px = _MARGIN_PX + _MARGIN_SHARE * (high - low) + np.abs(shift_px)
        size = np.array([gray.shape[1], gray.shape[0]])
        left, top = np.clip(np.floor(low + shift_px - margin_px), 0, size - 1).astype(int)
        right, bottom = np.clip(np.ceil(high + shift_px + margin_px), 1, size).astype(int)
        if right - left < 2 or bottom - top < 2:
            return None
        found = find_board(np.ascontiguousarray(gray[top:bottom, left:right]), self.board, is_quick=True)
        if isinstance(found, NoDetection):
            return None
        return replace(
            found, corners_px=found.corners_px + np.array([left, top]), image_size_px=(int(size[0]), int(size[1]))
        )
