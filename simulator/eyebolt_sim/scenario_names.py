"""Names of the demo's scenarios, which ``--help`` lists without loading what plays them."""

from __future__ import annotations

from enum import StrEnum


class ScenarioName(StrEnum):
    """A scenario of the demo, as on the command line."""

    description: str
    """what happens, in one line of at most 60 characters"""

    def __new__(cls, name: str, description: str) -> ScenarioName:
        """The member ``name``."""
        member = str.__new__(cls, name)
        member._value_ = name
        member.description = description
        return member

    CAMERA_FIXED = "camera-fixed", "the camera is fixed in the cell, the board is on the arm"
    CAMERA_ON_ARM = "camera-on-arm", "the camera is on the arm, the board is fixed in the cell"
    FOUR_AXIS_ARM = "four-axis-arm", "no pair shows the height of a 4-axis arm: it is touched"
    SLIPPED_BOARD = "slipped-board", "at the fifth waypoint the board slips, by 2 mm and 1 deg"
    WRONG_CONVENTION = "wrong-convention", "the program writes its angles in another order than stated"
    CUT_CABLE = "cut-cable", "the camera's cable is cut, then the robot's; each is mended"
    DRIFTED_CAMERA = "drifted-camera", "the camera is knocked while its result is in use"
