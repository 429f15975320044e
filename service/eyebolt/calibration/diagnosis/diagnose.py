"""What is wrong, found from the data: everything that is looked for, in one order, the most fundamental first.

The board's numbers come first, since they need one picture only; then the lens as far as pictures alone show it; then
what the poses are read in; then which pose belongs to which picture; then what moved; then board and lens by all pairs;
then what limits. A stop of the first kinds makes everything after it meaningless, so that nothing after it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eyebolt.calibration.diagnosis.corner_numbering import find_wrong_lines
from eyebolt.calibration.diagnosis.correspondence import (
    find_exchanged,
    find_half_turns,
    find_shift,
    find_stale,
    find_swap,
)
from eyebolt.calibration.diagnosis.focus import find_moved_focus
from eyebolt.calibration.diagnosis.intrinsics import (
    FIRST_NOISE,
    explains_move,
    findings_on_board_and_lens,
    lens_of_pictures,
)
from eyebolt.calibration.diagnosis.misread_poses import findings_on_terms
from eyebolt.calibration.diagnosis.pose_resolution import find_coarse_poses, find_loud_arm
from eyebolt.calibration.diagnosis.refit import Looks
from eyebolt.calibration.estimation import BAD_M, Start, Views, best_start
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import Belonging, find_change_halfway, find_gross_change, findings_on_slips
from eyebolt.observations import Pair

ORDER = (
    "board-corners",
    "pose-terms",
    "mount",
    "pairs-shifted",
    "lens-resolution",
    "stale-picture",
    "stale-pose",
    "pairs-swapped",
    "half-turned",
    "tool-changed",
    "frame-changed",
    "rectified",
    "distortion",
    "focus-moved",
    "principal-point",
    "focal-length",
    "board-scale",
    "board-or-lens",
    "camera-moved",
    "board-moved",
    "pose-coarse",
    "robot-noise",
)
# With one of these nothing that comes later means anything.
_FUNDAMENTAL = ORDER[:5]
_SEVERITIES = ("stop", "warn", "note")


def in_order(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings by severity, then the most fundamental first; without those that a fundamental one explains."""
    found = sorted(findings, key=lambda f: (_SEVERITIES.index(f.severity), _place(f)))
    if found and found[0].severity == "stop" and found[0].code in _FUNDAMENTAL:
        return (found[0], *(f for f in found[1:] if f.severity == "note"))
    return tuple(found)


def _place(finding: Finding) -> int:
    return ORDER.index(finding.code) if finding.code in ORDER else len(ORDER)


def diagnose(problem: Problem, views: Views, pairs: Sequence[Pair], belonging: Belonging | None) -> tuple[Finding, ...]:
    """What is wrong with ``pairs`` (those of ``views``, in the order they were taken), in no order.

    ``belonging``: the estimate on those that belong, None where there is none.
    """
    numbers = findings_on_numbers(problem, pairs)
    if numbers:
        return numbers
    stated = Looks.as_stated(problem, views)
    by_pictures = lens_of_pictures(stated)
    looks = by_pictures or stated
    seen_rightly = replace(problem, camera=looks.camera)
    start, misfit_m = best_start(seen_rightly, looks.views)
    if by_pictures is not None and misfit_m < BAD_M:
        return (*_lens_without_estimate(problem, stated, looks, start, pairs), *find_stale(pairs))
    if misfit_m > BAD_M:
        gross = _gross(seen_rightly, looks.views, pairs, misfit_m)
        if gross:
            return (*gross, *find_stale(pairs))
    if belonging is None:
        return (*_lens_without_estimate(problem, stated, looks, start, pairs), *find_stale(pairs))
    return (*_fine(problem, views, pairs, stated, belonging), *find_stale(pairs))


def findings_on_numbers(problem: Problem, pairs: Sequence[Pair]) -> tuple[Finding, ...]:
    """What is wrong with the numbers of the board's corners: needs no pose, and no more than one picture."""
    found = find_wrong_lines(problem.board_corners_m, pairs)
    return () if found is None else (found,)


def _lens_without_estimate(
    problem: Problem, stated: Looks, looks: Looks, start: Start, pairs: Sequence[Pair]
) -> tuple[Finding, ...]:
    """What is wrong with board or lens, from transforms in closed form. Two focal lengths contradict any one lens."""
    indices = [pair.index for pair in pairs]
    focus = find_moved_focus(looks.doubted, looks.views, start, FIRST_NOISE, indices)
    return (focus,) if focus is not None else findings_on_board_and_lens(problem, stated, looks, start, None)


def _gross(problem: Problem, views: Views, pairs: Sequence[Pair], misfit_m: float) -> tuple[Finding, ...]:
    """What is wrong with all pairs, however they are read or paired."""
    indices = [pair.index for pair in pairs]
    found = (
        find_shift(problem, views, misfit_m),
        find_half_turns(problem, views, indices, misfit_m),
        find_swap(problem, views, indices, misfit_m),
    )
    cheap = tuple(finding for finding in found if finding is not None)
    if cheap:
        return cheap
    change = find_gross_change(problem, views, indices)
    return findings_on_terms(problem, views, pairs) or ((change,) if change is not None else ())


def _fine(
    problem: Problem, views: Views, pairs: Sequence[Pair], stated: Looks, belonging: Belonging
) -> tuple[Finding, ...]:
    """What the estimate on the pairs that belong shows."""
    joint, used = belonging.joint, belonging.used
    indices = [pair.index for pair in pairs]
    start = Start(joint.X, joint.Y, "estimate")
    parted = np.zeros_like(used)
    for parting in belonging.partings:
        parted |= parting.other_part(len(used))
    strangers = np.flatnonzero(~used & ~parted)
    rows = np.flatnonzero(used | parted)
    places = [int(np.searchsorted(rows, parting.row)) for parting in belonging.partings]
    focus = find_moved_focus(problem, views.subset(rows), start, joint.noise.best, [indices[k] for k in rows], places)
    found: list[Finding | None] = [focus]
    if focus is None:
        noise, moves = joint.noise.best, zip(belonging.partings, places, strict=True)
        belong = stated.subset(rows)
        if not all(explains_move(belong, start, noise, parting.slip.what, place) for parting, place in moves):
            belong = stated.subset(used)
        of_board_and_lens = findings_on_board_and_lens(problem, belong, belong, start, noise)
        found += of_board_and_lens
        if not of_board_and_lens:
            found += findings_on_slips(problem.mount, belonging.partings, indices)
            if not belonging.partings:
                found.append(find_change_halfway(problem, views, start, used, indices))
    found += find_exchanged(problem, views, indices, strangers, start)
    coarse = find_coarse_poses(problem, pairs, joint)
    found.append(coarse)
    # What bends or rounds the pairs makes the arm look louder than it is.
    if coarse is None and not any(f is not None and f.severity == "stop" for f in found):
        found.append(find_loud_arm(problem, joint))
    return tuple(finding for finding in found if finding is not None)
