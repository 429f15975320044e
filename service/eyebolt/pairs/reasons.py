"""The reasons for which one view alone is refused, or kept with advice: each a function of what was measured.

Every function returns a verdict, or None if it has nothing to say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.board.sighting import NoSighting, Sighting
from eyebolt.geometry.rigid import Array
from eyebolt.pairs import limits
from eyebolt.pairs.board_pose import FEWEST_CORNERS
from eyebolt.pairs.light_places import ALL_OVER, LightPlaces
from eyebolt.pairs.limits import Limit
from eyebolt.pairs.ruling import Ground, Verdict, ground, verdict
from eyebolt.pairs.stillness import arm_moved
from eyebolt.pairs.view import View


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
    return float(np.median(values)) if len(values) >= limits.FEWEST_TO_COMPARE else None


def nothing_seen(seen: NoSighting) -> Verdict:
    """No board was found: the light, or no reason that a picture could tell."""
    light = seen.light
    if seen.reason == "dark":
        return verdict(
            25,
            f"the picture is too dark to find a board (brightest parts at {light.bright_level:.0%} of full scale)",
            "Switch the light on, open the iris or lengthen the exposure; then try again.",
            ground(limits.DARK, light.bright_level),
        )
    if seen.reason == "burnt-out":
        return verdict(
            25,
            f"{light.burnt_fraction:.0%} of the picture is burnt out and no board is found",
            "Shorten the exposure or take away the glare; then try again.",
            ground(limits.BURNT, light.burnt_fraction),
        )
    # An even surface shows noise and nothing else: that is no board, not bad light.
    if limits.NOISE_CONTRAST < light.contrast < limits.FAINT.value:
        says = f"no board is found, and bright and dark parts of the picture differ by only {light.contrast:.0%}"
        advice = "Take away haze, reflection or stray light; look whether the lens is covered or fogged."
        return verdict(25, says, advice, ground(limits.FAINT, light.contrast))
    if light.burnt_fraction > limits.BURNT_MARGINAL.value:
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
    return verdict(21, says, advice, ground(limits.SHIFT, still.shift_px, still.limit_px))


def arm_on_its_way(base_T_flange: Array, live: Sequence[Array]) -> Verdict | None:
    """21: poses streamed by the robot while the picture was taken lie away from the one that it reported."""
    shift_m, turn_rad = arm_moved(base_T_flange, live)
    shift_mm, turn_deg = shift_m * 1e3, float(np.rad2deg(turn_rad))
    if shift_mm <= limits.ARM_SHIFT.value and turn_deg <= limits.ARM_TURN.value:
        return None
    by_shift = shift_mm / limits.ARM_SHIFT.value >= turn_deg / limits.ARM_TURN.value
    limit, value = (limits.ARM_SHIFT, shift_mm) if by_shift else (limits.ARM_TURN, turn_deg)
    says = (
        f"the arm moved {shift_mm:.2f} mm and {turn_deg:.3f} deg from the pose it reported until the picture was taken"
        f" (limits {limits.ARM_SHIFT.value:g} mm, {limits.ARM_TURN.value:g} deg)"
    )
    return verdict(21, says, "Stop the arm before you say capture.", ground(limit, value))


def blurred(seen: Sighting, view: View, usual: Usual) -> Verdict | None:
    """23: the edges are wider than this lens gives on this board."""
    limit = limits.BLUR_AT_FIRST if usual.blur_px is None else limits.BLUR
    at_px = limit.value if usual.blur_px is None else max(limit.value, limits.BLUR_TIMES_USUAL * usual.blur_px)
    if view.square_px is not None:
        at_px = min(at_px, max(limits.BLUR_OF_SQUARE * view.square_px, 1.0))
    if seen.blur_px <= at_px:
        return None
    others = "" if usual.blur_px is None else f", the kept pictures have {usual.blur_px:.1f} px"
    says = f"the edges are blurred over {seen.blur_px:.1f} px (limit {at_px:.1f} px{others})"
    return verdict(23, says, ground=ground(limit, seen.blur_px, at_px))


def too_few_corners(seen: Sighting, board_corner_count: int, view: View) -> Verdict | None:
    """24; or 25 where the light is why corners are missing."""
    needed = max(FEWEST_CORNERS, int(np.ceil(limits.CORNERS.value * board_corner_count)))
    if len(seen.ids) >= needed:
        return None
    says = f"{len(seen.ids)} of {board_corner_count} corners seen, {needed} are needed"
    why = ground(limits.CORNERS, len(seen.ids) / board_corner_count, needed / board_corner_count)
    return _glare(view, says, why) or verdict(24, says, ground=why)


def not_the_board(view: View, usual: Usual) -> Verdict | None:
    """20: the corners are not where those of this board can be; 24: they lie so that nothing can be told from them."""
    if view.no_pose:
        says = "the corners seen lie almost in a line: they do not tell how the board stands"
        return _glare(view, says) or verdict(24, says)
    if view.misfit_px is None or view.misfit_px <= limits.NO_FIT.value:
        return None
    if usual.misfit_px is not None and view.misfit_px <= limits.MISFIT_TIMES.value * usual.misfit_px:
        return None
    says = (
        f"what was found does not fit the board: its corners lie {view.misfit_px:.1f} px from where they can be"
        f" (limit {limits.NO_FIT.value:g} px)"
    )
    advice = "Look whether the board is the one in the station file, whole and flat, and the lens file the camera's."
    return verdict(20, says, advice, ground(limits.NO_FIT, view.misfit_px))


def oblique(view: View, least: Limit) -> Verdict | None:
    """24 beyond what corners bear; a word beside the 0 beyond what is good practice: whichever limit ``least`` is."""
    if view.tilt_rad is None or np.rad2deg(view.tilt_rad) <= least.value:
        return None
    tilt_deg = float(np.rad2deg(view.tilt_rad))
    says = f"the board is seen at {tilt_deg:.0f} deg to the line of sight (limit {least.value:.0f} deg)"
    # Tilt is worth a lot, and such corners are still good: no reason to say that the pair adds little.
    code = 24 if least is limits.TOO_OBLIQUE else 0
    advice = "Turn the board more towards the camera; 20 to 45 deg are best."
    return verdict(code, says if code == 24 else f"kept: {says}", advice, ground(least, tilt_deg))


def misfitting(view: View, usual: Usual) -> Verdict | None:
    """1: the corners fit a flat board worse than those of the kept pairs."""
    if view.misfit_px is None or usual.misfit_px is None or view.misfit_px < limits.LEAST_MISFIT_PX:
        return None
    times = view.misfit_px / max(usual.misfit_px, 1e-6)
    if times <= limits.MISFIT_TIMES.value:
        return None
    says = (
        f"kept, adds little: its corners lie {view.misfit_px:.2f} px from a flat board, {times:.1f} times as far as in"
        f" the kept pairs (limit {limits.MISFIT_TIMES.value:g} times)"
    )
    advice = "Look for a reflection or something lying over the board, and whether the board is bent."
    return verdict(1, says, advice, ground(limits.MISFIT_TIMES, times))


def bad_light(seen: Sighting, places: LightPlaces | None) -> Verdict | None:
    """25 or 2. What is only marginal must not hide what is hopeless."""
    light = seen.light
    found = []
    # Where the light is at its worst, no corners are found, and the area that they span does not reach there.
    burnt = max(light.burnt_fraction, 0.0 if places is None else places.burnt_of_all)
    if burnt > limits.BURNT_MARGINAL.value:
        where = _where(places.burnt_at if places is not None else ALL_OVER)
        says = f"{burnt:.0%} of the board is burnt out (limit {limits.BURNT.value:.0%})"
        says += "" if places is None or places.burnt_at == ALL_OVER else f", most of it at {where}"
        limit = limits.BURNT if burnt > limits.BURNT.value else limits.BURNT_MARGINAL
        code = 25 if limit is limits.BURNT else 2
        found.append(verdict(code, says, _against_glare(where), ground(limit, burnt)))
    if light.bright_level < limits.DARK_MARGINAL.value:
        says = f"the board's white is at {light.bright_level:.0%} of full scale (limit {limits.DARK.value:.0%})"
        limit = limits.DARK if light.bright_level < limits.DARK.value else limits.DARK_MARGINAL
        code = 25 if limit is limits.DARK else 2
        found.append(verdict(code, says, "Lengthen the exposure or add light.", ground(limit, light.bright_level)))
    if light.contrast < limits.FAINT_MARGINAL.value:
        says = f"black and white of the board differ by only {light.contrast:.0%} (limit {limits.FAINT.value:.0%})"
        limit = limits.FAINT if light.contrast < limits.FAINT.value else limits.FAINT_MARGINAL
        code = 25 if limit is limits.FAINT else 2
        advice = "Take away haze, reflection or stray light."
        found.append(verdict(code, says, advice, ground(limit, light.contrast)))
    if not found and places is not None and places.dark_level < limits.DARK.value and places.dark_at != ALL_OVER:
        where = _where(places.dark_at)
        says = f"{where} lies in the dark: its white is at {places.dark_level:.0%} of full scale"
        advice = f"Take away what throws a shadow on {where}, or turn the lamp there."
        found.append(verdict(2, says, advice, ground(limits.DARK, places.dark_level)))
    return max(found, key=lambda one: one.code, default=None)


def _glare(view: View, says: str, why: Ground | None = None) -> Verdict | None:
    """25 where glare is why corners are missing."""
    places = view.places
    if places is not None and places.burnt_fraction > limits.BURNT.value:
        where = _where(places.burnt_at)
        return verdict(25, f"{says}: {where} is burnt out", _against_glare(where), why)
    if places is None and view.burnt_of_picture > limits.BURNT_MARGINAL.value:
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
