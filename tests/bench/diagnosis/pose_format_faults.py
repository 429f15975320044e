"""Poses that are not what they are taken for: read in the wrong terms, too coarse, or not of their picture."""

from dataclasses import replace

import numpy as np

from bench.calibration.common import cases
from bench.diagnosis.sessions import Set, code, message, usual
from eyebolt.calibration.diagnosis.misread_poses import PoseFormatHypothesis
from eyebolt.calibration.problem import PoseConvention
from eyebolt.geometry import Mount
from eyebolt.geometry.pose_format import EULER_KINDS, PoseFormat
from eyebolt_sim.transforms import inverse

# ---- poses read in the wrong terms


def read(problem, fields, stated):
    """The problem with numbers ``fields`` read as the station states."""
    poses = PoseFormatHypothesis(stated).poses(np.array(fields), PoseConvention(stated))
    pairs = [replace(p, base_T_flange=A, fields=tuple(f)) for p, A, f in zip(problem.pairs, poses, fields, strict=True)]
    return replace(problem, pairs=pairs, pose_convention=PoseConvention(stated))


def terms(truly, stated, line, turned=False, inverted=False):
    """A maker of sets whose numbers are written as ``truly`` and read as ``stated``."""

    def spoil(mount, poses, seed, level):
        _, problem = usual(mount, poses, seed, level)
        fields = [cases.sent(inverse(p.base_T_flange) if inverted else p.base_T_flange, truly) for p in problem.pairs]
        if turned:
            fields = [np.concatenate([f[:3], f[:2:-1]]) for f in fields]
        return Set(read(problem, fields, stated), message("mount" if inverted else "pose-format", line))

    return spoil


def euler(mount, poses, seed, level):
    """Any of the 24 kinds written, any other stated."""
    kinds = np.random.default_rng([seed, 71]).choice(EULER_KINDS, 2, replace=False)
    truly, stated = (PoseFormat("mm", str(kind)) for kind in kinds)
    return terms(truly, stated, f'rotation = "{truly.rotation}"')(mount, poses, seed, level)


ZYX, VECTOR = PoseFormat("mm", "euler-ZYX"), PoseFormat("mm", "rotation-vector", "rad")
QUATERNION = PoseFormat("mm", "quaternion-wxyz")


def other_mount(mount, poses, seed, level):
    _, problem = usual(mount, poses, seed, level)
    return Set(replace(problem, mount=Mount(mount).other), message("mount", f'mount = "{mount}"'))


# ---- pairing


def lag(by):
    """Every pose goes with the picture ``by`` waypoints before its own."""

    def spoil(mount, poses, seed, level):
        _, problem = usual(mount, poses + abs(by), seed, level)
        n = poses + abs(by)
        rows = [(k, k - by) for k in range(n) if 0 <= k - by < n]
        pairs = [
            replace(problem.pairs[k], index=i, ids=problem.pairs[j].ids, corners_px=problem.pairs[j].corners_px)
            for i, (k, j) in enumerate(rows)
        ]
        return Set(replace(problem, pairs=pairs), code("pairs-shifted", lag=(by, 0)))

    return spoil


def swapped(mount, poses, seed, level):
    """The pictures of two waypoints exchanged."""
    _, problem = usual(mount, poses, seed, level)
    i, j = np.sort(np.random.default_rng([seed, 72]).choice(poses, 2, replace=False))
    first, second = problem.pairs[i], problem.pairs[j]
    out = cases.with_pair(problem, i, ids=second.ids, corners_px=second.corners_px)
    out = cases.with_pair(out, j, ids=first.ids, corners_px=first.corners_px)
    return Set(out, code("pairs-swapped", pair=(i, 0), other=(j, 0)))


def stale_pose(mount, poses, seed, level):
    """One pair carries the pose of the waypoint before it."""
    _, problem = usual(mount, poses, seed, level)
    row = int(np.random.default_rng([seed, 73]).integers(1, poses))
    return Set(cases.with_stale_pose(problem, row), code("stale-pose", pair=(row, 0)))


def stale_picture(mount, poses, seed, level):
    """One pair carries the very picture of the waypoint before it."""
    _, problem = usual(mount, poses, seed, level)
    row = int(np.random.default_rng([seed, 74]).integers(1, poses))
    before = problem.pairs[row - 1]
    spoilt = cases.with_pair(problem, row, ids=before.ids, corners_px=before.corners_px)
    return Set(spoilt, code("stale-image", pair=(row, 0)))


def coarse(mount, poses, seed, level):
    """Poses printed in steps of 1 mm and 1 deg."""
    _, problem = usual(mount, poses, seed, level)
    fields = [np.round(cases.sent(p.base_T_flange, ZYX)) for p in problem.pairs]
    return Set(read(problem, fields, ZYX), code("pose-resolution"))
