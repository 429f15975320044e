"""The verdict that one view alone can give: keep this pair or not, and what to do about it.

The reasons stand in an order: what explains the others comes first (a board that moves is also blurred), refusals
before advice. The limits and where they come from are in ``limits``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from eyebolt.board.sighting import NoSighting, Sighting
from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.pairs import limits, reasons
from eyebolt.pairs.reasons import Usual
from eyebolt.pairs.ruling import Ground, Verdict, ground, verdict
from eyebolt.pairs.view import View

__all__ = ["Ground", "Usual", "Verdict", "judge_view", "verdict"]


def judge_view(
    seen: Sighting | NoSighting,
    lens_size_px: tuple[int, int],
    board_corner_count: int,
    base_T_flange: Array,
    kept_poses: Sequence[Array],
    picture_only: bool = False,
    view: View | None = None,
    usual: Usual | None = None,
    live: Sequence[Array] = (),
) -> Verdict:
    """Judges one view; ``kept_poses`` are the reported poses (4, 4) of the pairs kept so far.

    ``picture_only`` (for checks) lets a repeated pose pass. ``view``: the measures beside the corners; ``usual``: what
    the kept pairs are like; ``live``: poses (4, 4) that the robot streamed while the picture was taken.
    """
    view, usual = view or View(), usual or Usual()
    if seen.picture_size_px != lens_size_px:
        return verdict(
            38,
            "the picture is {} x {} pixels, the lens file is for {} x {}".format(*seen.picture_size_px, *lens_size_px),
            "Stop. Set the camera to the size that the lens was calibrated at, or give the lens file of this size.",
        )
    if isinstance(seen, NoSighting):
        return reasons.nothing_seen(seen)
    refusal = (
        reasons.arm_on_its_way(base_T_flange, live)
        or reasons.board_moved(view)
        or reasons.blurred(seen, view, usual)
        or reasons.too_few_corners(seen, board_corner_count, view)
        or reasons.not_the_board(view, usual)
        or reasons.oblique(view, limits.TOO_OBLIQUE)
    )
    if refusal is not None:
        return refusal
    light = reasons.bad_light(seen, view.places)
    if light is not None and light.code >= 20:
        return light
    nearness = None if picture_only else _nearest(base_T_flange, kept_poses)
    if nearness is not None and nearness.code >= 20:
        return nearness
    advice = nearness or light or reasons.misfitting(view, usual) or reasons.oblique(view, limits.OBLIQUE)
    return advice or verdict(0)


def _nearest(base_T_flange: Array, kept_poses: Sequence[Array]) -> Verdict | None:
    """26 or 1: the arm stands where it stood for a kept pair."""
    if not len(kept_poses):
        return None
    others = np.asarray(kept_poses)
    shift_mm = np.linalg.norm(others[:, :3, 3] - base_T_flange[:3, 3], axis=1) * 1e3
    turn_deg = np.rad2deg(rigid.rotation_angle(np.swapaxes(others[:, :3, :3], -1, -2) @ base_T_flange[:3, :3]))
    near = (shift_mm < limits.SIMILAR_SHIFT.value) & (turn_deg < limits.SIMILAR_TURN.value)
    same = (shift_mm < limits.SAME_SHIFT.value) & (turn_deg < limits.SAME_TURN.value)
    if not near.any():
        return None
    nearest = int(np.argmax(same if same.any() else near))
    says = f"{shift_mm[nearest]:.1f} mm and {turn_deg[nearest]:.1f} deg from a kept pair"
    if same.any():
        return verdict(26, says, ground=ground(limits.SAME_SHIFT, shift_mm[nearest]))
    return verdict(1, says, ground=ground(limits.SIMILAR_SHIFT, shift_mm[nearest]))
