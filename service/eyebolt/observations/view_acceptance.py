"""The verdict that one view alone can give: keep this pair or not, and what to do about it.

The reasons stand in an order: what explains the others comes first (a board that moves is also blurred), refusals
before advice. The limits and where they come from are in ``limits``.

The reasons for which one view alone is refused, or kept with advice: each a function of what was measured.

Every function returns a verdict, or None if it has nothing to say.

A verdict: the code, what was measured against which limit, and what to do about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from eyebolt.boards import NoSighting, Sighting
from eyebolt.geometry import Array, se3
from eyebolt.observations import thresholds
from eyebolt.observations.board_pose import FEWEST_CORNERS
from eyebolt.observations.exposure_map import ALL_OVER, LightPlaces
from eyebolt.observations.thresholds import Limit
from eyebolt.observations.view_quality import View, arm_moved
from eyebolt.protocol import CODES

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
        return nothing_seen(seen)
    refusal = (
        arm_on_its_way(base_T_flange, live)
        or board_moved(view)
        or blurred(seen, view, usual)
        or too_few_corners(seen, board_corner_count, view)
        or not_the_board(view, usual)
        or oblique(view, thresholds.TOO_OBLIQUE)
    )
    if refusal is not None:
        return refusal
    light = bad_light(seen, view.places)
    if light is not None and light.code >= 20:
        return light
    nearness = None if picture_only else _nearest(base_T_flange, kept_poses)
    if nearness is not None and nearness.code >= 20:
        return nearness
    advice = nearness or light or misfitting(view, usual) or oblique(view, thresholds.OBLIQUE)
    return advice or verdict(0)


def _nearest(base_T_flange: Array, kept_poses: Sequence[Array]) -> Verdict | None:
    """26 or 1: the arm stands where it stood for a kept pair."""
    if not len(kept_poses):
        return None
    others = np.asarray(kept_poses)
    shift_mm = np.linalg.norm(others[:, :3, 3] - base_T_flange[:3, 3], axis=1) * 1e3
    turn_deg = np.rad2deg(se3.rotation_angle(np.swapaxes(others[:, :3, :3], -1, -2) @ base_T_flange[:3, :3]))
    near = (shift_mm < thresholds.SIMILAR_SHIFT.value) & (turn_deg < thresholds.SIMILAR_TURN.value)
    same = (shift_mm < thresholds.SAME_SHIFT.value) & (turn_deg < thresholds.SAME_TURN.value)
    if not near.any():
        return None
    nearest = int(np.argmax(same if same.any() else near))
    says = f"{shift_mm[nearest]:.1f} mm and {turn_deg[nearest]:.1f} deg from a kept pair"
    if same.any():
        return verdict(26, says, ground=ground(thresholds.SAME_SHIFT, shift_mm[nearest]))
    return verdict(1, says, ground=ground(thresholds.SIMILAR_SHIFT, shift_mm[nearest]))


@dataclass(frozen=True)
class Usual:
    """What the kept pairs are like: medians over them, None while they are too few to tell."""

    blur_px: float | None = None
    misfit_px: float | None = None

    @classmethod
    def of(cls, blurs_px: Sequence[float], misfits_px: Sequence[float]) -> Usual:
        """The medians, from three pairs on."""
        return cls(_median(blurs_px), _median(misfits_px))


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if len(values) >= thresholds.FEWEST_TO_COMPARE else None


def nothing_seen(seen: NoSighting) -> Verdict:
    """No board was found: the light, or no reason that a picture could tell."""
    light = seen.light
    if seen.reason == "dark":
        return verdict(
            25,
            f"the picture is too dark to find a board (brightest parts at {light.bright_level:.0%} of full scale)",
            "Switch the light on, open the iris or lengthen the exposure; then try again.",
            ground(thresholds.DARK, light.bright_level),
        )
    if seen.reason == "burnt-out":
        return verdict(
            25,
            f"{light.burnt_fraction:.0%} of the picture is burnt out and no board is found",
            "Shorten the exposure or take away the glare; then try again.",
            ground(thresholds.BURNT, light.burnt_fraction),
        )
    # An even surface shows noise and nothing else: that is no board, not bad light.
    if thresholds.NOISE_CONTRAST < light.contrast < thresholds.FAINT.value:
        says = f"no board is found, and bright and dark parts of the picture differ by only {light.contrast:.0%}"
        advice = "Take away haze, reflection or stray light; look whether the lens is covered or fogged."
        return verdict(25, says, advice, ground(thresholds.FAINT, light.contrast))
    if light.burnt_fraction > thresholds.BURNT_MARGINAL.value:
        says = f"no board, and {light.burnt_fraction:.0%} of the picture is burnt out"
        advice = "Look whether glare lies over the board, and whether it is in view and the one in the station file."
        return verdict(20, says, advice)
    return verdict(20)


def board_moved(view: View) -> Verdict | None:
    """21: the corners stood elsewhere in a picture taken shortly before."""
    still = view.still
    if still is None or not still.moved:
        return None
    says = (
        f"the board moved {still.shift_px:.2f} px within {still.apart_ms:.0f} ms (limit {still.limit_px:.2f} px):"
        " it was not still"
    )
    advice = "Stop, wait longer for the arm to settle (or raise settle_ms), then capture again."
    return verdict(21, says, advice, ground(thresholds.SHIFT, still.shift_px, still.limit_px))


def arm_on_its_way(base_T_flange: Array, live: Sequence[Array]) -> Verdict | None:
    """21: poses streamed by the robot while the picture was taken lie away from the one that it reported."""
    shift_m, turn_rad = arm_moved(base_T_flange, live)
    shift_mm, turn_deg = shift_m * 1e3, float(np.rad2deg(turn_rad))
    if shift_mm <= thresholds.ARM_SHIFT.value and turn_deg <= thresholds.ARM_TURN.value:
        return None
    by_shift = shift_mm / thresholds.ARM_SHIFT.value >= turn_deg / thresholds.ARM_TURN.value
    limit, value = (thresholds.ARM_SHIFT, shift_mm) if by_shift else (thresholds.ARM_TURN, turn_deg)
    says = (
        f"the arm moved {shift_mm:.2f} mm and {turn_deg:.3f} deg from the pose it reported until the picture was taken"
        f" (limits {thresholds.ARM_SHIFT.value:g} mm, {thresholds.ARM_TURN.value:g} deg)"
    )
    return verdict(21, says, "Stop the arm before you say capture.", ground(limit, value))


def blurred(seen: Sighting, view: View, usual: Usual) -> Verdict | None:
    """23: the edges are wider than this lens gives on this board."""
    limit = thresholds.BLUR_AT_FIRST if usual.blur_px is None else thresholds.BLUR
    at_px = limit.value if usual.blur_px is None else max(limit.value, thresholds.BLUR_TIMES_USUAL * usual.blur_px)
    if view.square_px is not None:
        at_px = min(at_px, max(thresholds.BLUR_OF_SQUARE * view.square_px, 1.0))
    if seen.blur_px <= at_px:
        return None
    others = "" if usual.blur_px is None else f", the kept pictures have {usual.blur_px:.1f} px"
    says = f"the edges are blurred over {seen.blur_px:.1f} px (limit {at_px:.1f} px{others})"
    return verdict(23, says, ground=ground(limit, seen.blur_px, at_px))


def too_few_corners(seen: Sighting, board_corner_count: int, view: View) -> Verdict | None:
    """24; or 25 where the light is why corners are missing."""
    needed = max(FEWEST_CORNERS, int(np.ceil(thresholds.CORNERS.value * board_corner_count)))
    if len(seen.ids) >= needed:
        return None
    says = f"{len(seen.ids)} of {board_corner_count} corners seen, {needed} are needed"
    why = ground(thresholds.CORNERS, len(seen.ids) / board_corner_count, needed / board_corner_count)
    return _glare(view, says, why) or verdict(24, says, ground=why)


def not_the_board(view: View, usual: Usual) -> Verdict | None:
    """20: the corners are not where those of this board can be; 24: they lie so that nothing can be told from them."""
    if view.no_pose:
        says = "the corners seen lie almost in a line: they do not tell how the board stands"
        return _glare(view, says) or verdict(24, says)
    if view.misfit_px is None or view.misfit_px <= thresholds.NO_FIT.value:
        return None
    if usual.misfit_px is not None and view.misfit_px <= thresholds.MISFIT_TIMES.value * usual.misfit_px:
        return None
    says = (
        f"what was found does not fit the board: its corners lie {view.misfit_px:.1f} px from where they can be"
        f" (limit {thresholds.NO_FIT.value:g} px)"
    )
    advice = "Look whether the board is the one in the station file, whole and flat, and the lens file the camera's."
    return verdict(20, says, advice, ground(thresholds.NO_FIT, view.misfit_px))


def oblique(view: View, least: Limit) -> Verdict | None:
    """24 beyond what corners bear; a word beside the 0 beyond what is good practice: whichever limit ``least`` is."""
    if view.tilt_rad is None or np.rad2deg(view.tilt_rad) <= least.value:
        return None
    tilt_deg = float(np.rad2deg(view.tilt_rad))
    says = f"the board is seen at {tilt_deg:.0f} deg to the line of sight (limit {least.value:.0f} deg)"
    # Tilt is worth a lot, and such corners are still good: no reason to say that the pair adds little.
    code = 24 if least is thresholds.TOO_OBLIQUE else 0
    advice = "Turn the board more towards the camera; 20 to 45 deg are best."
    return verdict(code, says if code == 24 else f"kept: {says}", advice, ground(least, tilt_deg))


def misfitting(view: View, usual: Usual) -> Verdict | None:
    """1: the corners fit a flat board worse than those of the kept pairs."""
    if view.misfit_px is None or usual.misfit_px is None or view.misfit_px < thresholds.LEAST_MISFIT_PX:
        return None
    times = view.misfit_px / max(usual.misfit_px, 1e-6)
    if times <= thresholds.MISFIT_TIMES.value:
        return None
    says = (
        f"kept, adds little: its corners lie {view.misfit_px:.2f} px from a flat board, {times:.1f} times as far as in"
        f" the kept pairs (limit {thresholds.MISFIT_TIMES.value:g} times)"
    )
    advice = "Look for a reflection or something lying over the board, and whether the board is bent."
    return verdict(1, says, advice, ground(thresholds.MISFIT_TIMES, times))


def bad_light(seen: Sighting, places: LightPlaces | None) -> Verdict | None:
    """25 or 2. What is only marginal must not hide what is hopeless."""
    light = seen.light
    found = []
    # Where the light is at its worst, no corners are found, and the area that they span does not reach there.
    burnt = max(light.burnt_fraction, 0.0 if places is None else places.burnt_of_all)
    if burnt > thresholds.BURNT_MARGINAL.value:
        where = _where(places.burnt_at if places is not None else ALL_OVER)
        says = f"{burnt:.0%} of the board is burnt out (limit {thresholds.BURNT.value:.0%})"
        says += "" if places is None or places.burnt_at == ALL_OVER else f", most of it at {where}"
        limit = thresholds.BURNT if burnt > thresholds.BURNT.value else thresholds.BURNT_MARGINAL
        code = 25 if limit is thresholds.BURNT else 2
        found.append(verdict(code, says, _against_glare(where), ground(limit, burnt)))
    if light.bright_level < thresholds.DARK_MARGINAL.value:
        says = f"the board's white is at {light.bright_level:.0%} of full scale (limit {thresholds.DARK.value:.0%})"
        limit = thresholds.DARK if light.bright_level < thresholds.DARK.value else thresholds.DARK_MARGINAL
        code = 25 if limit is thresholds.DARK else 2
        found.append(verdict(code, says, "Lengthen the exposure or add light.", ground(limit, light.bright_level)))
    if light.contrast < thresholds.FAINT_MARGINAL.value:
        says = f"black and white of the board differ by only {light.contrast:.0%} (limit {thresholds.FAINT.value:.0%})"
        limit = thresholds.FAINT if light.contrast < thresholds.FAINT.value else thresholds.FAINT_MARGINAL
        code = 25 if limit is thresholds.FAINT else 2
        advice = "Take away haze, reflection or stray light."
        found.append(verdict(code, says, advice, ground(limit, light.contrast)))
    if not found and places is not None and places.dark_level < thresholds.DARK.value and places.dark_at != ALL_OVER:
        where = _where(places.dark_at)
        says = f"{where} lies in the dark: its white is at {places.dark_level:.0%} of full scale"
        advice = f"Take away what throws a shadow on {where}, or turn the lamp there."
        found.append(verdict(2, says, advice, ground(thresholds.DARK, places.dark_level)))
    return max(found, key=lambda one: one.code, default=None)


def _glare(view: View, says: str, why: Ground | None = None) -> Verdict | None:
    """25 where glare is why corners are missing."""
    places = view.places
    if places is not None and places.burnt_fraction > thresholds.BURNT.value:
        where = _where(places.burnt_at)
        return verdict(25, f"{says}: {where} is burnt out", _against_glare(where), why)
    if places is None and view.burnt_of_picture > thresholds.BURNT_MARGINAL.value:
        where = f"{view.burnt_of_picture:.0%} of the picture is burnt out"
        return verdict(
            25, f"{says}; {where}", "Turn the lamp, shorten the exposure, or tilt the board 10 degrees.", why
        )
    return None


def _where(place: str) -> str:
    return "the whole board" if place == ALL_OVER else f"the {place} of the board"


def _against_glare(where: str) -> str:
    if where == _where(ALL_OVER):
        return "Shorten the exposure or dim the light."
    return f"Turn the lamp away from {where} (as the camera sees it), or tilt the board 10 degrees."


@dataclass(frozen=True)
class Ground:
    """``measure`` in words; its ``value`` and its ``limit`` in ``unit`` ("" for shares); ``source`` of the limit."""

    measure: str
    value: float
    limit: float
    unit: str
    source: str

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


@dataclass(frozen=True)
class Verdict:
    """``code`` of the wire; ``says`` what was measured against which limit; ``advice`` one sentence or two of what to
    do; ``ground`` the same in numbers, where a number decided."""

    code: int
    says: str
    advice: str
    ground: Ground | None = None


def verdict(code: int, says: str = "", advice: str = "", ground: Ground | None = None) -> Verdict:
    """A verdict with the code's own words where none are given."""
    return Verdict(code, says or CODES[code].says, advice or CODES[code].advice, ground)


def ground(limit: Limit, value: float, at: float | None = None) -> Ground:
    """The ground that a limit gives; ``at`` where it stands now, if that is not its own value."""
    return Ground(limit.name, float(value), limit.value if at is None else float(at), limit.unit, limit.source)
