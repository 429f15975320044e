"""A station file to begin with, its keys explained, for a cell that does not exist."""

from __future__ import annotations

import json
from collections.abc import Sequence

from eyebolt.config.station_file import parse_station
from eyebolt.geometry import FlangeRotation, Mount

SIMULATED_CAMERA = ('source = "simulated"', 'endpoint = "tcp://127.0.0.1:4760"')
CHARUCO_BOARD = (
    'kind = "charuco"                  # "charuco", "chessboard", "grid" or "circles"',
    "columns = 12                      # squares from left to right",
    "rows = 9                          # squares from top to bottom",
    "square_mm = 15.0                  # measure over at least ten squares: office printers are off by up to 1 %",
    "marker_mm = 11.0",
    'dictionary = "5X5_100"            # as printed on the board\'s edge or in its data sheet',
    'corner_order = "current"          # "legacy" if the board was drawn by OpenCV before 4.6',
)


def station_template(
    name: str = "bay-3",
    mount: str = Mount.FIXED,
    *,
    turns: str = FlangeRotation.FREE,
    status: str = "tcp://127.0.0.1:4751",
    connection: str = 'listen = "127.0.0.1:4750"',
    allow: Sequence[str] = ("127.0.0.1",),
    length: str = "mm",
    rotation: str = "quaternion-wxyz",
    angle: str = "deg",
    robot_lines: Sequence[str] = (),
    camera_lines: Sequence[str] = SIMULATED_CAMERA,
    intrinsics: str = "camera.json",
    board_lines: Sequence[str] = CHARUCO_BOARD,
    tolerance_mm: float = 1.0,
    near_mm: float = 500.0,
    far_mm: float = 900.0,
    accept: str = "by-hand",
    folder: str = "sessions",
) -> str:
    """The commented text of a station file.

    ``connection`` is the ``listen`` or ``dial`` line; ``robot_lines`` are further lines of [robot];
    ``camera_lines`` are the source's lines; ``board_lines`` the whole board.
    Raises InputFault ``station-file`` if the file would not be a valid one.
    """
    scene = (
        "the camera hangs over a tray of cast housings, the board is bolted to the gripper's plate"
        if mount == Mount.FIXED
        else "the camera rides on the gripper's plate, the board is bolted to the tray of cast housings"
    )
    robot = "".join(f"{line}\n" for line in robot_lines)
    camera = "\n".join(camera_lines)
    board = "\n".join(board_lines)
    text = f"""\
# Station file of a cell: {scene}.
# `eyebolt serve THIS-FILE` tells all its faults at once, with their lines.
# Lengths here are millimetres and angles degrees, whatever the robot uses. Paths are relative to this file.

[station]
name = {_quoted(name)}
mount = {_quoted(mount)}                   # "fixed": camera in the cell, board on the arm. "arm": the other way round
turns = {_quoted(turns)}                    # "vertical" for 4-axis arms, which turn about the vertical only
status = {_quoted(status)}   # where `eyebolt watch` listens
# keys = "keys"                   # for addresses that other computers reach: a folder, made by `eyebolt keys THIS-FILE`

[robot]
# Exactly one of the two: listen (the robot calls here) or dial (for controllers that can only wait to be called).
{connection}
allow = [{", ".join(_quoted(a) for a in allow)}]             # addresses that a robot may call from, and nobody else
# Send flange poses in base coordinates: tool set to zero, no user frame. Poses sent with a constant tool or user frame
# active cannot be seen in the data: everything fits, and every result is off by that tool or frame. If the tool cannot
# be set to zero, say pose_of = "tool" and give the tool's numbers as the controller shows them: tool = [...]
pose_of = "flange"
# How the controller writes a pose. A wrong choice fits no transform: solve then says that the pairs disagree.
# rotation: "quaternion-wxyz", "quaternion-xyzw", "rotation-vector", "angle-z" (4-axis arms), or "euler-" and three
# letters in the order of the angles: capitals turn about the moving axes, small letters about the fixed ones.
length = {_quoted(length)}                     # "mm", "m" or "um"
rotation = {_quoted(rotation)}
angle = {_quoted(angle)}                     # "deg", "rad" or "1e-4deg"; no matter for quaternions
{robot}# noise_mm = 0.1                  # how well the arm repeats a pose, if you know it: both lines or none.
# noise_deg = 0.02                # Without them it is estimated from the pairs.
# tip_mm = [0.0, 0.0, 152.4]      # pointer tip in the flange frame, for place and touch (4-axis arms: z points up)
# tip_sigma_mm = 0.1              # how well you know that tip, and set it onto a corner; 0.5 if you do not say

[camera]
# source: "device" (path = "/dev/video0", or a stream's address), "folder" (path), "push" (endpoint) or "simulated"
{camera}
intrinsics = {_quoted(intrinsics)}        # the lens file: width, height, matrix, distortion
settle_ms = 300                   # wait after the robot says it stands: 300 small arms, 500 and more for long ones
# motion_check = "off"            # leave out: a picture 150 ms earlier shows whether the board stands still
# exposure_us = 5000              # leave out to keep what the camera is set to
# gain_db = 0.0

[board]
{board}

[goal]
tolerance_mm = {tolerance_mm!r}                # largest error of a point that the job can live with
near_mm = {near_mm!r}                   # the job happens between these two distances from the camera
far_mm = {far_mm!r}
min_pairs = 8                     # no result before so many pairs, however good they look
max_pairs = 40                    # give up after so many pairs and say what is missing
# board_height_mm = 850.0         # 4-axis arms: of the board's origin above flange (camera fixed) or base; or by touch
accept = {_quoted(accept)}                # "when-proven": a proven result is used at once. "by-hand": you sign for it

[record]
folder = {_quoted(folder)}               # one folder for each session: pictures, facts and result
"""
    parse_station(text, "the new station file")
    return text


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=False)
