"""The lens estimated from the pairs beside the transform: only on request, since a lens is better measured by itself.

Every parameter is set free within wide limits and carried along like any lens doubt; the lens is moved to what the
pairs say, and again, until it stays. The answer's error then counts what is not known of the lens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from eyebolt.geometry.camera import COEFFICIENT_NAMES, CameraModel
from eyebolt.pairs.pair import Pair
from eyebolt.pairs.touch import PlacedBoard
from eyebolt.solve.outcome import Refusal, Solution
from eyebolt.solve.problem import Problem
from eyebolt.solve.run import solve

# How far a lens file may be off, as standard deviations: shares of the focal length and of the picture's width, and
# plain numbers for what bends the picture. Common practice, no source.
_FOCAL_SHARE, _CENTRE_SHARE, _BENDING = 0.05, 0.03, {"p1": 0.01, "p2": 0.01}
_ANY_BENDING = 0.3
_MOST_ROUNDS = 8
_STAYS = 0.05


def solve_with_lens(
    problem: Problem, checks: Sequence[Pair] = (), placed: Sequence[PlacedBoard] = ()
) -> tuple[Solution | Refusal, CameraModel]:
    """The solution with the lens free, and the lens that it found, with the standard deviations that the pairs give."""
    camera = replace(problem.camera, sigma=_wide(problem.camera))
    for round_number in range(_MOST_ROUNDS):
        outcome = solve(replace(problem, camera=camera), checks, placed)
        if isinstance(outcome, Refusal):
            break
        changes = {name: lens.estimate for name, lens in outcome.lens.items()}
        settled = all(abs(lens.estimate) < _STAYS * lens.sigma for lens in outcome.lens.values())
        if settled or round_number == _MOST_ROUNDS - 1:
            return outcome, replace(
                camera.changed(changes), sigma={name: lens.sigma for name, lens in outcome.lens.items()}
            )
        camera = camera.changed(changes)
    return outcome, problem.camera


def _wide(camera: CameraModel) -> dict[str, float]:
    focal, centre = _FOCAL_SHARE * float(camera.matrix[0, 0]), _CENTRE_SHARE * camera.width_px
    names = COEFFICIENT_NAMES[: camera.distortion.size]
    return {
        "fx": focal,
        "fy": focal,
        "cx": centre,
        "cy": centre,
        **{name: _BENDING.get(name, _ANY_BENDING) for name in names},
    }
