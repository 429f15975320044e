"""Boards that are symmetric under a rotation by 180 degrees: which views are numbered from the opposite end.

One image leaves it open. Two waypoints decide it: the motion of the arm and that of the board in the camera have the
same rotation angle and the same translation along the axis (screw congruence: H. H. Chen, CVPR 1991), but only if both
views are numbered from the same end. Every pair of views votes for "same" or "opposite", and the numbering that agrees
with most votes is chosen. Reversing all views alike changes only the frame of the board.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards import Board
from eyebolt.geometry import Array, CameraModel, Mount, se3
from eyebolt.observations.board_pose import MIN_CORNERS, CornerObservations, fit_board_poses
from eyebolt.observations.pair import Pair

_MAX_ROUNDS = 20
# Converts a difference of angles to one of translations: a lever of half a metre.
_LEVER_M = 0.5


def resolve_half_turns(pairs: Sequence[Pair], camera: CameraModel, board: Board, mount: Mount) -> tuple[Pair, ...]:
    """The pairs numbered from the same end by majority; unchanged if the numbering of the board is unambiguous."""
    usable = [k for k, pair in enumerate(pairs) if len(pair.ids) >= MIN_CORNERS]
    if not board.half_turn_ambiguous or len(usable) < 2:
        return tuple(pairs)
    chosen = [pairs[k] for k in usable]
    as_numbered = fit_board_poses(camera, CornerObservations.from_pairs(chosen, board.corners_m())).camera_T_board
    flange = np.array([pair.base_T_flange for pair in chosen])
    is_reversed = reversed_views(mount.chain(flange), as_numbered, half_turn(board))
    out, numbering = list(pairs), reversed_numbering(board)
    for k, reverse in zip(usable, is_reversed, strict=True):
        if reverse:
            out[k] = renumbered_pair(pairs[k], numbering)
    return tuple(out)


def half_turn(board: Board) -> Array:
    """(4, 4): the frame of the board as numbered from the opposite end, in the frame as numbered from this end."""
    return half_turn_about_centre(board.corners_m())


def half_turn_about_centre(corners_m: Array) -> Array:
    """(4, 4): rotation by 180 degrees in the plane of the board about the centre of its corners (K, 3)."""
    T = np.diag([-1.0, -1.0, 1.0, 1.0])
    T[:2, 3] = (corners_m.min(axis=0) + corners_m.max(axis=0))[:2]
    return T


def is_half_turn_symmetric(corners_m: Array) -> bool:
    """Whether a rotation by 180 degrees maps the corners (K, 3) onto one another."""
    rotated_m = se3.apply(half_turn_about_centre(corners_m), corners_m)
    nearest = np.linalg.norm(rotated_m[:, None] - corners_m[None], axis=-1).min(axis=1)
    return bool(nearest.max() < 1e-6)


def reversed_numbering(board: Board) -> NDArray[np.int64]:
    """(K,): the number that each corner has when the board is numbered from the opposite end."""
    corners_m = board.corners_m()
    rotated_m = se3.apply(half_turn(board), corners_m)
    distance = np.linalg.norm(rotated_m[:, None] - corners_m[None], axis=-1)
    out: NDArray[np.int64] = distance.argmin(axis=1)
    return out


def renumbered_pair(pair: Pair, numbering: NDArray[np.int64]) -> Pair:
    """The same pair with its corners numbered from the opposite end (``reversed_numbering``); numbers still rise."""
    order = np.argsort(numbering[pair.ids])
    return replace(pair, ids=numbering[pair.ids][order], corners_px=pair.corners_px[order])


def reversed_views(chain: Array, camera_T_board: Array, board_T_turned: Array) -> NDArray[np.bool_]:
    """(n,): the views to be renumbered for the largest agreement of votes; the first view is never one of them.

    ``chain`` (n, 4, 4): ``Mount.chain`` of the flange poses. ``camera_T_board`` (n, 4, 4): the views as numbered.
    ``board_T_turned`` (4, 4): ``half_turn``.
    """
    votes = _votes(chain, camera_T_board, board_T_turned)
    # Maximum cut of the vote graph: the leading eigenvector is the optimum of the relaxed problem, and single views are
    # then flipped while the agreement grows.
    _, vectors = np.linalg.eigh(votes)
    sides = np.where(vectors[:, -1] >= 0, 1.0, -1.0)
    for _ in range(_MAX_ROUNDS):
        gain = -sides * (votes @ sides)
        worst = int(np.argmax(gain))
        if gain[worst] <= 0:
            break
        sides[worst] *= -1
    out: NDArray[np.bool_] = sides != sides[0]
    return out


def _votes(chain: Array, views: Array, board_T_turned: Array) -> Array:
    """(n, n), symmetric: -1 (numbered from opposite ends) to 1 (from the same end), 0 on the diagonal."""
    inverse = se3.inverse(chain)
    arm = _screw_invariants(inverse[:, None] @ chain[None])
    other = views @ board_T_turned
    alike = _screw_distance_m(arm, _screw_invariants(se3.inverse(views)[:, None] @ views[None]))
    opposite = _screw_distance_m(arm, _screw_invariants(se3.inverse(views)[:, None] @ other[None]))
    votes = (opposite - alike) / np.maximum(opposite + alike, 1e-9)
    votes = (votes + votes.T) / 2
    np.fill_diagonal(votes, 0.0)
    out: Array = votes
    return out


def _screw_invariants(motion: Array) -> tuple[Array, Array]:
    """Rotation angle (radians) and translation along the axis (metres) of motions (..., 4, 4)."""
    rotation = se3.log_rotation(motion[..., :3, :3])
    angle = np.linalg.norm(rotation, axis=-1)
    along = np.abs((rotation * motion[..., :3, 3]).sum(axis=-1)) / np.maximum(angle, 1e-9)
    return angle, along


def _screw_distance_m(first: tuple[Array, Array], second: tuple[Array, Array]) -> Array:
    out: Array = _LEVER_M * np.abs(first[0] - second[0]) + np.abs(first[1] - second[1])
    return out
