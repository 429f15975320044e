"""A commented station file of an invented cell, as a start for a real one."""

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
    'scale_from = "measured"           # over ten squares with a ruler; "printed" if not yet: the error is then larger',
    'dictionary = "5X5_100"            # as printed on the board\'s edge or in its data sheet',
    'corner_order = "current"          # "legacy" if the board was drawn by OpenCV before 4.6',
)


def station_template(
    name: str = "bay-3",
    mount: str = Mount.FIXED,
    *,
    turns: str = FlangeRotation.FREE,
    status: str = "tcp://127.0.0.1:4751",
    control: str | None = "tcp://127.0.0.1:4752",
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

    ``control``: None writes the line as a comment. ``connection`` is the ``listen`` or ``dial`` line; ``robot_lines``
    are further lines of [robot]; ``camera_lines`` are the lines of [camera] that the source requires; ``board_lines``
    are all lines of [board].
    Raises InputFault ``station-file`` if the text would not be a valid station file.
    """
    scene = (
        "the camera hangs over a tray of cast housings, the board is bolted to the gripper's plate"
        if mount == Mount.FIXED
        else "the camera rides on the gripper's plate, the board is bolted to the tray of cast housings"
    )
    robot = "".join(f"{line}\n" for line in robot_lines)
    camera = "\n".join(camera_lines)
    board = "\n".join(board_lines)
    control_line = '# control = "tcp://127.0.0.1:4752"' if control is None else f"control = {_quoted(control)}"
    text = f"""\
# Station file of a cell: {scene}.
# `eyebolt serve THIS-FILE` reports all its faults at once, with their lines.
# Lengths here are millimetres and angles degrees, whatever the robot uses. Paths are relative to this file.

[station]
name = {_quoted(name)}
mount = {_quoted(mount)}                   # "fixed": camera in the cell, board on the arm. "arm": the other way round
turns = {_quoted(turns)}                    # "vertical" for 4-axis arms, which rotate about the vertical only
status = {_quoted(status)}   # where `eyebolt watch` subscribes
{control_line}  # where `eyebolt session` and keys of `eyebolt watch` control a session
# keys = "keys"                   # for addresses that other computers reach: folder made by `eyebolt keys THIS-FILE`

[robot]
# Exactly one of the two: listen (the robot connects here) or dial (for controllers that can only be connected to).
{connection}
allow = [{", ".join(_quoted(a) for a in allow)}]             # the addresses from which a robot may connect
# Send flange poses in base coordinates: tool set to zero, no user frame. A constant tool or user frame that is active
# cannot be detected in the data: everything fits, and every result is wrong by that tool or frame. If the tool cannot
# be set to zero, write pose_of = "tool" and the tool's numbers as the controller shows them: tool = [...]
pose_of = "flange"
# How the controller writes a pose. With a wrong choice no transform fits: solve then reports that the pairs disagree.
# rotation: "quaternion-wxyz", "quaternion-xyzw", "rotation-vector", "angle-z" (4-axis arms), or "euler-" and three
# letters in the order of the angles: capitals rotate about the moving axes, small letters about the fixed ones.
length = {_quoted(length)}                     # "mm", "m" or "um"
rotation = {_quoted(rotation)}
angle = {_quoted(angle)}                     # "deg", "rad" or "1e-4deg"; without effect on quaternions
# result_rotation = "quaternion-wxyz"   # 4-axis arms: a form of the reply to result that holds a tilted camera
# joint_names = ["J1", "J2", "J3", "J4", "J5", "J6"]   # names of the numbers that follow a pose behind a j
# joint_unit = "deg"              # their unit: "deg", "rad" or "mm"; or a list with one for each
# dh_mm_deg = [[0.0, 90.0, 400.0, 0.0]]   # the arm's model from its manual, a row [a, alpha, d, offset] for each joint
#   (standard Denavit-Hartenberg, base to flange; with a joint in mm: offset is its constant angle): joint angles that
#   do not fit the reported pose are then named
# reply_wait_s = 1.4              # wait so long for the final reply before 10 is sent; up to 30 if it cannot be polled
# guided = true                   # the arm is guided by hand and the robot streams pose only; needs [station] control
{robot}# noise_mm = 0.1                  # standard deviation of the arm's poses, if known: both lines or none.
# noise_deg = 0.02                # Without them it is estimated from the pairs.
# tip_mm = [0.0, 0.0, 152.4]      # pointer tip in the flange frame, for place and touch (4-axis arms: z points up)
# tip_sigma_mm = 0.1              # standard deviation of that tip, and of its placement on a corner; default 0.5

[camera]
# source: "device" (path = "/dev/video0", or a stream's address), "genicam" (serial), "folder" (path),
# "push" (endpoint) or "simulated"
{camera}
intrinsics = {_quoted(intrinsics)}        # the lens file; eyebolt lens makes it from pictures of the board
settle_ms = 300                   # wait after the request: 300 for small arms, 500 and more for long ones
# motion_check = "off"            # without this line an image 150 ms earlier shows whether the board is still
# exposure_us = 5000              # without this line the camera keeps its own setting
# gain_db = 0.0

[board]
{board}

[goal]
tolerance_mm = {tolerance_mm!r}                # largest error of a pick that the job tolerates
# tolerance_of = "transform"      # compare the error of the transform alone with it, as if the arm moved exactly
# pick_tool_mm = [0.0, 0.0, 120.0]   # tip of the tool that picks, in the flange frame; without this line the flange
# pick_axis = "z"                 # flange axis along which the tool points; it points straight down at a pick
# pick_pose = "waypoints"         # the tool stands as at the waypoints instead of straight down
near_mm = {near_mm!r}                   # the job is done between these two distances from the camera
far_mm = {far_mm!r}
min_pairs = 8                     # no result with fewer pairs, however well they fit
max_pairs = 40                    # stop after so many pairs and report what is missing
# board_height_mm = 850.0         # 4-axis arms: of the board's origin above flange (camera fixed) or base; or by touch
accept = {_quoted(accept)}                # "when-proven": a proven result is used at once. "by-hand": you accept it

[record]
folder = {_quoted(folder)}               # one folder for each session: images, facts and result
# access = "group"                # who else may read them: "group" or "all"; without this line nobody
"""
    parse_station(text, "the new station file")
    return text


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=False)
