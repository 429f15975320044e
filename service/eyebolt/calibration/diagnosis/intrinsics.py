"""Board and lens that are not as stated: told apart, sized, and named with what to change.

A board printed too large, a focal length off, a shifted principal point and another distortion bend the pairs each in a
way of its own. All are set free together; the smallest set of them that explains the pairs is at fault.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eyebolt.calibration.diagnosis.refit import DOUBTS, Looks, lens_by_pictures, refit
from eyebolt.calibration.estimation import Freed, Start, What, plausible
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, CameraModel
from eyebolt.observations import ViewStack

# Chance that clean pairs are looked into closely, that they look like a fault, and that the faults named leave this
# much unexplained.
_LOOKED_INTO, _FALSE_ALARM, _EXPLAINED = 1e-3, 1e-5, 1e-4
# What explains a move away must leave no more than this to chance.
_EXPLAINED_FOR_SURE = 0.01
# The pictures by themselves contradict the lens (five numbers; chance 1e-9 if corners scatter alike).
_CONTRADICTED = 50.0
# With fewer pairs all six numbers are not known beside the transforms.
_FEWEST = 5
# What matters: below it, it is what boards and lenses are like (shares; pixels at the edge of what was seen for
# bending). Common practice, no source.
_SHARE, _BENDING_PX = 0.003, 1.0
_STRAIGHT = 0.15
# What an arm's noise is sought from, where no estimate on the pairs has it.
FIRST_NOISE = RobotNoise(1e-3, 3e-3)
_PARTS: dict[str, tuple[str, ...]] = {
    "board-scale": ("scale",),
    "focal-length": ("focal",),
    "principal-point": ("cx", "cy"),
    "distortion": ("k1", "k2"),
}
# Pictures are binned, cropped to a half or scaled by such factors, and the lens file stays what it was.
_RATIOS = (0.25, 1 / 3, 0.5, 2 / 3, 0.75, 4 / 3, 1.5, 2.0, 3.0, 4.0)
_NEAR_RATIO = 0.03


def lens_of_pictures(looks: Looks) -> Looks | None:
    """The pairs read by the lens that the pictures by themselves ask for; None if they bear out the stated one.

    No pose takes part in it, so it stands whatever is wrong with the poses.
    """
    if looks.by_pictures()[1] < _CONTRADICTED:
        return None
    found = lens_by_pictures(looks)
    change = found.change_from(looks)
    matters = (
        np.abs(change[1:4]).max() > _SHARE or _bending_px(found.camera, looks.camera, looks.views.stack) > _BENDING_PX
    )
    return found if matters else None


def explains_move(looks: Looks, start: Start, noise: RobotNoise, what: What, before: int) -> bool:
    """Whether one part of board and lens explains the pairs ``looks`` better than that ``what`` moved before a row.

    Waypoints that come in groups, such as shifts without a turn and then tilts, make a wrong lens look like a move.
    """
    freed = looks.beside_a_move(start.X, start.Y, noise, what, before)
    moved = freed.chance([name for name in freed.names if name not in DOUBTS])
    return max(freed.chance(_names([part])) for part in _PARTS) > max(moved, _EXPLAINED_FOR_SURE)


def findings_on_board_and_lens(
    problem: Problem, stated: Looks, found: Looks, start: Start, noise: RobotNoise | None
) -> tuple[Finding, ...]:
    """What of board and lens is not as stated.

    ``stated``: the pairs as the station states board and lens; ``found``: as far as the pictures alone have moved the
    lens; ``start``: transforms near ``found``.
    """
    if len(found.views.A) < _FEWEST:
        return ()
    noise = noise or FIRST_NOISE
    if found is stated and found.doubts_at(start.X, start.Y, noise).chance(()) > _LOOKED_INTO:
        return ()
    best, freed = refit(found, start.X, start.Y, noise)
    total = freed.moved(best.change_from(stated), _stated_doubt(problem.camera, freed.names))
    if total.chance(()) > _FALSE_ALARM or not plausible(freed.noise):
        return ()
    sizes = [total.estimate[total.names.index(name)] for name in ("scale", "focal")]
    # No board and no lens is of negative size: then the poses are wrong, and board and lens are bent to suit them.
    if min(sizes) <= -1:
        return ()
    chosen = _smallest_that_explains(total)
    others = {n: off for n, off in zip(total.names, total.estimate, strict=True) if n not in _names(chosen[0])}
    # Pairs that hardly turn are fitted by boards and lenses of any size: from so far off nothing follows for one part.
    if any(abs(off) > DOUBTS[name] for name, off in others.items()):
        return ()
    off, sigma = total.alone(_names(chosen[0]))
    sized = dict(zip(_names(chosen[0]), zip(off.tolist(), sigma.tolist(), strict=True), strict=True))
    real = [part for part in chosen[0] if _matters(part, sized, best, stated)]
    if len(chosen) > 1 and len(chosen[0]) == 1 and real:
        return (_not_told_apart(chosen, total),)
    evidence = {"chance_as_stated": total.chance(()), "chance_with_it": total.chance(_names(chosen[0]))}
    ratio = _near_ratio(1 + total.estimate[total.names.index("focal")])
    if ratio is not None:
        return (_other_resolution(ratio, sized, evidence),)
    real.sort(key=lambda part: -total.unexplained([n for n in _names(chosen[0]) if n not in _PARTS[part]]))
    return tuple(_finding(part, sized, best, stated, evidence) for part in real)


def _smallest_that_explains(total: Freed) -> list[tuple[str, ...]]:
    """The fewest parts that leave only chance; the likeliest first, with those as few that explain it too."""
    for size in range(1, len(_PARTS)):
        chances = {parts: total.chance(_names(parts)) for parts in itertools.combinations(_PARTS, size)}
        fitting = [parts for parts, chance in chances.items() if chance > _EXPLAINED]
        if fitting:
            return sorted(fitting, key=lambda parts: -chances[parts])
    return [tuple(_PARTS)]


def _names(parts: Sequence[str]) -> list[str]:
    return [name for part in parts for name in _PARTS[part]]


def _stated_doubt(camera: CameraModel, names: Sequence[str]) -> Array:
    """(6, 6): what the lens file itself says that it does not know."""
    focal_px = float(camera.matrix[0, 0])
    sigma = camera.sigma
    share = {
        "focal": max(sigma.get("fx", 0.0), sigma.get("fy", 0.0)) / focal_px,
        "cx": sigma.get("cx", 0.0) / focal_px,
        "cy": sigma.get("cy", 0.0) / focal_px,
        "k1": sigma.get("k1", 0.0),
        "k2": sigma.get("k2", 0.0),
    }
    return np.diag([share.get(name, 0.0) ** 2 for name in names])


def _bending_px(camera: CameraModel, other: CameraModel, stack: ViewStack) -> float:
    """How far apart, in pixels, the distortions of two lenses put a corner at the edge of what was seen."""
    seen = stack.corners_px[stack.weights > 0] - camera.matrix[:2, 2]
    ray = float(np.linalg.norm(seen / np.diagonal(camera.matrix)[:2], axis=1).max())
    points = ray * np.array([[np.cos(a), np.sin(a), 1 / ray] for a in np.linspace(0, 2 * np.pi, 8, endpoint=False)])
    same = replace(other, matrix=camera.matrix)
    apart = np.linalg.norm(camera.project(points) - same.project(points), axis=1)
    return float(apart.max())


def _matters(part: str, sized: dict[str, tuple[float, float]], best: Looks, stated: Looks) -> bool:
    if part == "distortion":
        return _bending_px(best.camera, stated.camera, stated.views.stack) > _BENDING_PX
    return float(np.linalg.norm([sized[name][0] for name in _PARTS[part]])) > _SHARE


def _near_ratio(factor: float) -> float | None:
    return next((ratio for ratio in _RATIOS if abs(factor / ratio - 1) < _NEAR_RATIO), None)


def _finding(
    part: str, sized: dict[str, tuple[float, float]], best: Looks, stated: Looks, evidence: dict[str, float]
) -> Finding:
    numbers = {name: sized[name][0] for name in _PARTS[part]}
    numbers |= {f"{name}_sigma": sized[name][1] for name in _PARTS[part]}
    says, remedy = _WORDS[part](sized, best, stated)
    if part == "distortion" and _is_straight(best, stated):
        edge_px = _bending_px(stated.camera, _straight(stated.camera), stated.views.stack)
        return Finding(
            "rectified",
            "stop",
            "the pictures are straightened already: they show none of the distortion that the lens file states"
            f" ({edge_px:.0f} px at the edge of what was seen)",
            {**numbers, **evidence, "stated_bending_px": edge_px},
            'in the lens file ([camera] intrinsics) set "distortion": [0, 0, 0, 0, 0], with the matrix of the'
            " straightened pictures; or let the camera send them as they are.",
        )
    return Finding(part, "stop", says, {**numbers, **evidence}, remedy)


def _of_board(sized: dict[str, tuple[float, float]], best: Looks, stated: Looks) -> tuple[str, str]:
    off, sigma = sized["scale"]
    return (
        f"the board is {_percent(off, sigma)} {'larger' if off > 0 else 'smaller'} than stated",
        f"measure the board over ten squares; if it bears this out, multiply its lengths in the station file under"
        f" [board] by {1 + off:.4f} (square_mm = 20 would become {20 * (1 + off):.3f}).",
    )


def _of_focal(sized: dict[str, tuple[float, float]], best: Looks, stated: Looks) -> tuple[str, str]:
    off, sigma = sized["focal"]
    fx, fy = stated.camera.matrix[0, 0] * (1 + off), stated.camera.matrix[1, 1] * (1 + off)
    return (
        f"the focal length is {_percent(off, sigma)} {'longer' if off > 0 else 'shorter'} than the lens file says",
        f"calibrate the lens anew at this focus; the pairs see fx = {fx:.1f}, fy = {fy:.1f} for the matrix in the lens"
        " file ([camera] intrinsics). eyebolt solve SESSION --refine-lens prints the whole lens.",
    )


def _of_centre(sized: dict[str, tuple[float, float]], best: Looks, stated: Looks) -> tuple[str, str]:
    focal_px = float(stated.camera.matrix[0, 0])
    (x, x_sigma), (y, y_sigma) = sized["cx"], sized["cy"]
    cx, cy = stated.camera.matrix[:2, 2] + focal_px * np.array([x, y])
    return (
        f"the principal point is {focal_px * x:+.1f} px across and {focal_px * y:+.1f} px down from where the lens file"
        f" has it (sigma {focal_px * max(x_sigma, y_sigma):.1f} px)",
        "calibrate the lens anew, and see whether the camera cuts a part out of its picture; the pairs see"
        f" cx = {cx:.1f}, cy = {cy:.1f} for the matrix in the lens file ([camera] intrinsics).",
    )


def _of_bending(sized: dict[str, tuple[float, float]], best: Looks, stated: Looks) -> tuple[str, str]:
    edge_px = _bending_px(best.camera, stated.camera, stated.views.stack)
    k1, k2 = stated.camera.distortion[:2] + np.array([sized["k1"][0], sized["k2"][0]])
    return (
        f"the lens bends the picture otherwise than the lens file says, by {edge_px:.1f} px at the edge of what was"
        " seen",
        f"calibrate the lens anew; the pairs see k1 = {k1:.3f}, k2 = {k2:.3f} for the distortion in the lens file"
        " ([camera] intrinsics). eyebolt solve SESSION --refine-lens prints the whole lens.",
    )


_WORDS = {
    "board-scale": _of_board,
    "focal-length": _of_focal,
    "principal-point": _of_centre,
    "distortion": _of_bending,
}


def _percent(off: float, sigma: float) -> str:
    return f"{100 * abs(off):.2f} % (sigma {100 * sigma:.2f} %)"


def _straight(camera: CameraModel) -> CameraModel:
    return replace(camera, distortion=np.zeros(5))


def _is_straight(best: Looks, stated: Looks) -> bool:
    """Nothing is left of a stated distortion that would show."""
    stated_px = _bending_px(stated.camera, _straight(stated.camera), stated.views.stack)
    left_px = _bending_px(best.camera, _straight(best.camera), stated.views.stack)
    return stated_px > _BENDING_PX and left_px < max(_STRAIGHT * stated_px, _BENDING_PX)


def _other_resolution(ratio: float, sized: dict[str, tuple[float, float]], evidence: dict[str, float]) -> Finding:
    focal = 1 + sized["focal"][0] if "focal" in sized else ratio
    return Finding(
        "lens-resolution",
        "stop",
        f"the focal length in the pictures is {focal:.3f} times that of the lens file: the lens file was made for"
        f" pictures of another size",
        {**evidence, "factor": focal},
        "name the lens file of this resolution under [camera] intrinsics, or multiply the matrix (fx, fy, cx, cy) and"
        f" width and height in it by {ratio:.4g}; or set the camera to the resolution that it was calibrated at.",
    )


def _not_told_apart(fitting: Sequence[tuple[str, ...]], total: Freed) -> Finding:
    words = {
        "board-scale": "the board's size",
        "focal-length": "the focal length",
        "principal-point": "the principal point",
        "distortion": "the lens's distortion",
    }
    evidence = {f"chance_{parts[0]}": total.chance(_names(parts)) for parts in fitting}
    either = " or ".join(words[parts[0]] for parts in fitting)
    return Finding(
        "board-or-lens",
        "stop",
        f"either {either} is not as stated; these pairs do not tell which",
        {**evidence, "chance_as_stated": total.chance(())},
        "measure the board over ten squares, and take more waypoints at different distances (near and far) and tilts"
        " of 20 deg and more; shifts of 100 mm across and along the line of sight, without turning, tell them apart.",
    )
