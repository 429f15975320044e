"""What a session takes as given from its station."""

from __future__ import annotations

from dataclasses import dataclass

from eyebolt.geometry.readings import PoseReading
from eyebolt.geometry.rigid import Array
from eyebolt.progress.goal import Goal
from eyebolt.solve.problem import PoseTerms


@dataclass(frozen=True)
class Terms:
    """``flange_T_tool`` (4, 4) if the robot sends tool poses; ``settle_ns`` between the word and the exposure.

    ``two_pictures``: a picture before the one that counts shows whether the board stands still; ``exposure_ns``: as
    the station file states it. ``tip_known``: the station says where the pointer's tip is, so that touches mean
    something.
    """

    station: str
    mount: str
    reading: PoseReading
    flange_T_tool: Array | None
    lens_size_px: tuple[int, int]
    board_corner_count: int
    goal: Goal
    settle_ns: int
    accept_when_proven: bool
    tip_known: bool = False
    two_pictures: bool = False
    exposure_ns: int | None = None

    def pose_fields(self, base_T_flange: Array) -> list[float]:
        """The numbers that the robot would send for a flange pose (4, 4): the other way round."""
        tool = base_T_flange if self.flange_T_tool is None else base_T_flange @ self.flange_T_tool
        return self.reading.to_fields(tool)

    def base_T_flange(self, fields: tuple[float, ...]) -> Array:
        """The flange pose (4, 4), metres, of one pose as the robot wrote it. Raises InputFault ``pose-numbers``."""
        return PoseTerms(self.reading, self.flange_T_tool).flange_of(self.reading.to_matrix(fields))
