"""Faults of the poses: another pose format than stated, too coarse, or paired with the wrong image."""

from dataclasses import replace

import numpy as np

from bench.calibration.common import cases
from bench.diagnosis.sessions import CorruptedSession, code, remedy, usual
from eyebolt.calibration.diagnosis.misread_poses import PoseFormatHypothesis
from eyebolt.calibration.problem import PoseConvention
from eyebolt.geometry import Mount
from eyebolt.geometry.pose_format import EULER_KINDS, PoseFormat
from eyebolt_sim.transforms import inverse

# ---- pose format


def read(problem, fields, stated):
    """The problem with poses from the numbers ``fields`` in the format that the station states."""
    poses = PoseFormatHypothesis(stated).poses(np.array(fields), PoseConvention(stated))
    pairs = [replace(p, base_T_flange=A, fields=tuple(f)) for p, A, f in zip(problem.pairs, poses, fields, strict=True)]
    return replace(problem, pairs=pairs, pose_convention=PoseConvention(stated))


def wrong_format(truly, stated, line, reversed_angles=False, inverted=False):
    """A maker of sessions whose numbers are written as ``truly`` and read as ``stated``."""

    def corrupt(mount, poses, seed, level):
        _, problem = usual(mount, poses, seed, level)
        fields = [cases.sent(inverse(p.base_T_flange) if inverted else p.base_T_flange, truly) for p in problem.pairs]
        if reversed_angles:
            fields = [np.concatenate([f[:3], f[:2:-1]]) for f in fields]
        return CorruptedSession(read(problem, fields, stated), remedy("mount" if inverted else "pose-format", line))

    return corrupt


def euler(mount, poses, seed, level):
    """Any of the 24 kinds written, any other stated."""
    kinds = np.random.default_rng([seed, 71]).choice(EULER_KINDS, 2, replace=False)
    truly, stated = (PoseFormat("mm", str(kind)) for kind in kinds)
    return wrong_format(truly, stated, f'rotation = "{truly.rotation}"')(mount, poses, seed, level)


ZYX, VECTOR = PoseFormat("mm", "euler-ZYX"), PoseFormat("mm", "rotation-vector", "rad")
QUATERNION = PoseFormat("mm", "quaternion-wxyz")


def other_mount(mount, poses, seed, level):
    _, problem = usual(mount, poses, seed, level)
    return CorruptedSession(replace(problem, mount=Mount(mount).other), remedy("mount", f'mount = "{mount}"'))


# ---- pairing


def lag(by):
    """Every pose is paired with the image ``by`` waypoints before its own."""

    def corrupt(mount, poses, seed, level):
        _, problem = usual(mount, poses + abs(by), seed, level)
        n = poses + abs(by)
        rows = [(k, k - by) for k in range(n) if 0 <= k - by < n]
        pairs = [
            replace(problem.pairs[k], index=i, ids=problem.pairs[j].ids, corners_px=problem.pairs[j].corners_px)
            for i, (k, j) in enumerate(rows)
        ]
        return CorruptedSession(replace(problem, pairs=pairs), code("pairs-shifted", lag=(by, 0)))

    return corrupt


def swapped(mount, poses, seed, level):
    """The images of two waypoints exchanged."""
    _, problem = usual(mount, poses, seed, level)
    i, j = np.sort(np.random.default_rng([seed, 72]).choice(poses, 2, replace=False))
    first, second = problem.pairs[i], problem.pairs[j]
    out = cases.with_pair(problem, i, ids=second.ids, corners_px=second.corners_px)
    out = cases.with_pair(out, j, ids=first.ids, corners_px=first.corners_px)
    return CorruptedSession(out, code("pairs-swapped", pair=(i, 0), other_pair=(j, 0)))


def stale_pose(mount, poses, seed, level):
    """One pair carries the pose of the waypoint before it."""
    _, problem = usual(mount, poses, seed, level)
    row = int(np.random.default_rng([seed, 73]).integers(1, poses))
    return CorruptedSession(cases.with_stale_pose(problem, row), code("stale-pose", pair=(row, 0)))


def stale_image(mount, poses, seed, level):
    """One pair carries the same image as the waypoint before it."""
    _, problem = usual(mount, poses, seed, level)
    row = int(np.random.default_rng([seed, 74]).integers(1, poses))
    before = problem.pairs[row - 1]
    corrupted = cases.with_pair(problem, row, ids=before.ids, corners_px=before.corners_px)
    return CorruptedSession(corrupted, code("stale-image", pair=(row, 0)))


def coarse(mount, poses, seed, level):
    """Poses printed in steps of 1 mm and 1 deg."""
    _, problem = usual(mount, poses, seed, level)
    fields = [np.round(cases.sent(p.base_T_flange, ZYX)) for p in problem.pairs]
    return CorruptedSession(read(problem, fields, ZYX), code("pose-resolution"))
