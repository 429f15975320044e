"""The verdict that one view alone can give: keep this pair or not, and what to do about it.

Limits are common practice, no source, until each has its measured one; they protect the operator from pairs that
cannot help, and leave everything finer to the solve.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.board.light import Light
from eyebolt.board.sighting import NoSighting, Sighting
from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.pairs.board_pose import FEWEST_CORNERS
from eyebolt.wire.codes import CODES

LEAST_SHARE_OF_CORNERS = 0.2
BURNT_REFUSED, BURNT_MARGINAL = 0.30, 0.05
DARK_REFUSED, DARK_MARGINAL = 0.08, 0.16
CONTRAST_REFUSED, CONTRAST_MARGINAL = 0.10, 0.20
SAME_SHIFT_M, SAME_TURN_RAD = 0.001, np.deg2rad(0.5)
SIMILAR_SHIFT_M, SIMILAR_TURN_RAD = 0.008, np.deg2rad(2.0)


@dataclass(frozen=True)
class Verdict:
    """``code`` of the wire; ``says`` what was measured against which limit; ``advice`` what to do."""

    code: int
    says: str
    advice: str


def verdict(code: int, says: str = "", advice: str = "") -> Verdict:
    """A verdict with the code's own words where none are given."""
    return Verdict(code, says or CODES[code].says, advice or CODES[code].advice)


def judge_view(
    seen: Sighting | NoSighting,
    lens_size_px: tuple[int, int],
    board_corner_count: int,
    base_T_flange: Array,
    kept_poses: Sequence[Array],
    picture_only: bool = False,
) -> Verdict:
    """Judges one view; ``kept_poses`` are the reported poses (4, 4) of the pairs kept so far.

    ``picture_only`` (for checks) lets a repeated pose pass.
    """
    if seen.picture_size_px != lens_size_px:
        return verdict(
            38,
            "the picture is {} x {} pixels, the lens file is for {} x {}".format(*seen.picture_size_px, *lens_size_px),
            "Stop. Set the camera to the size that the lens was calibrated at, or give the lens file of this size.",
        )
    if isinstance(seen, NoSighting):
        return _nothing_seen(seen)
    needed = max(FEWEST_CORNERS, int(np.ceil(LEAST_SHARE_OF_CORNERS * board_corner_count)))
    if len(seen.ids) < needed:
        return verdict(24, f"{len(seen.ids)} of {board_corner_count} corners seen, {needed} are needed")
    light = _judge_light(seen.light)
    if light is not None and light.code == 25:
        return light
    if not picture_only:
        nearness = _nearest(base_T_flange, kept_poses)
        if nearness is not None:
            return nearness
    return light or verdict(0)


def _nothing_seen(seen: NoSighting) -> Verdict:
    if seen.reason == "dark":
        return verdict(
            25,
            f"the picture is too dark to find a board (brightest parts at {seen.light.bright_level:.0%} of full scale)",
            "Switch the light on, open the iris or lengthen the exposure; then try again.",
        )
    if seen.reason == "burnt-out":
        return verdict(
            25,
            f"{seen.light.burnt_fraction:.0%} of the picture is burnt out and no board is found",
            "Shorten the exposure or take away the glare; then try again.",
        )
    return verdict(20)


def _judge_light(light: Light) -> Verdict | None:
    """The first ground to refuse, else the first to advise: what is only marginal must not hide what is hopeless."""
    found = []
    if light.burnt_fraction > BURNT_MARGINAL:
        says = f"{light.burnt_fraction:.0%} of the board is burnt out (limit {BURNT_REFUSED:.0%})"
        advice = "Shorten the exposure, turn the lamp, or tilt the board 10 degrees."
        found.append(verdict(25 if light.burnt_fraction > BURNT_REFUSED else 2, says, advice))
    if light.bright_level < DARK_MARGINAL:
        says = f"the board's white is at {light.bright_level:.0%} of full scale (limit {DARK_REFUSED:.0%})"
        advice = "Lengthen the exposure or add light."
        found.append(verdict(25 if light.bright_level < DARK_REFUSED else 2, says, advice))
    if light.contrast < CONTRAST_MARGINAL:
        says = f"black and white of the board differ by only {light.contrast:.0%} (limit {CONTRAST_REFUSED:.0%})"
        advice = "Take away haze, reflection or stray light."
        found.append(verdict(25 if light.contrast < CONTRAST_REFUSED else 2, says, advice))
    return max(found, key=lambda one: one.code, default=None)


def _nearest(base_T_flange: Array, kept_poses: Sequence[Array]) -> Verdict | None:
    if not len(kept_poses):
        return None
    others = np.asarray(kept_poses)
    shift_m = np.linalg.norm(others[:, :3, 3] - base_T_flange[:3, 3], axis=1)
    turn_rad = rigid.rotation_angle(np.swapaxes(others[:, :3, :3], -1, -2) @ base_T_flange[:3, :3])
    nearest = int(np.argmax((shift_m < SIMILAR_SHIFT_M) & (turn_rad < SIMILAR_TURN_RAD)))
    same = (shift_m < SAME_SHIFT_M) & (turn_rad < SAME_TURN_RAD)
    if same.any():
        nearest = int(np.argmax(same))
    if shift_m[nearest] >= SIMILAR_SHIFT_M or turn_rad[nearest] >= SIMILAR_TURN_RAD:
        return None
    says = f"{shift_m[nearest] * 1e3:.1f} mm and {np.rad2deg(turn_rad[nearest]):.1f} deg from a kept pair"
    return verdict(26 if same.any() else 1, says)
