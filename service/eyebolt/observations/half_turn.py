"""Boards that look the same after half a turn: which views are numbered from the other end.

One picture cannot tell. Two waypoints can: the arm's motion and the board's motion in the camera turn by the same
angle and shift alike along their axes (screw congruence: Chen, CVPR 1991), but only if both views are numbered from
the same end. Every two views vote "alike" or "not alike"; the numbering that agrees with most of the votes is taken.
Turning the numbers of all views alike changes nothing but the frame of the board.
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
# What a disagreement of angles counts for against one of shifts: a lever of half a metre.
_LEVER_M = 0.5


def resolve_half_turns(pairs: Sequence[Pair], camera: CameraModel, board: Board, mount: Mount) -> tuple[Pair, ...]:
    """The pairs with their numbers turned where most of the others say so; unchanged where the board is unambiguous.

    ``mount``: "fixed" or "arm", as in the station file.
    """
    usable = [k for k, pair in enumerate(pairs) if len(pair.ids) >= MIN_CORNERS]
    if not board.half_turn_ambiguous or len(usable) < 2:
        return tuple(pairs)
    chosen = [pairs[k] for k in usable]
    as_numbered = fit_board_poses(camera, CornerObservations.of(chosen, board.corners_m())).camera_T_board
    flange = np.array([pair.base_T_flange for pair in chosen])
    is_reversed = reversed_views(mount.chain(flange), as_numbered, half_turn(board))
    out, numbering = list(pairs), reversed_numbering(board)
    for k, turn in zip(usable, is_reversed, strict=True):
        if turn:
            out[k] = renumbered_pair(pairs[k], numbering)
    return tuple(out)


def half_turn(board: Board) -> Array:
    """(4, 4): the board's frame as numbered from the opposite end, in the frame as numbered from this one."""
    return half_turn_about_centre(board.corners_m())


def half_turn_about_centre(corners_m: Array) -> Array:
    """(4, 4): the same for the corners (K, 3) of a board."""
    T = np.diag([-1.0, -1.0, 1.0, 1.0])
    T[:2, 3] = (corners_m.min(axis=0) + corners_m.max(axis=0))[:2]
    return T


def is_half_turn_symmetric(corners_m: Array) -> bool:
    """Whether half a turn takes the corners (K, 3) onto one another."""
    turned_m = se3.apply(half_turn_about_centre(corners_m), corners_m)
    nearest = np.linalg.norm(turned_m[:, None] - corners_m[None], axis=-1).min(axis=1)
    return bool(nearest.max() < 1e-6)


def reversed_numbering(board: Board) -> NDArray[np.int64]:
    """(K,): the number that each corner has when the board is numbered from the opposite end."""
    corners_m = board.corners_m()
    turned_m = se3.apply(half_turn(board), corners_m)
    distance = np.linalg.norm(turned_m[:, None] - corners_m[None], axis=-1)
    out: NDArray[np.int64] = distance.argmin(axis=1)
    return out


def renumbered_pair(pair: Pair, numbering: NDArray[np.int64]) -> Pair:
    """The same pair with its corners numbered from the opposite end (``reversed_numbering``); numbers still rise."""
    order = np.argsort(numbering[pair.ids])
    return replace(pair, ids=numbering[pair.ids][order], corners_px=pair.corners_px[order])


def reversed_views(chain: Array, camera_T_board: Array, board_T_turned: Array) -> NDArray[np.bool_]:
    """(n,): views to turn, so that as many pairs of views agree as can; the first view is left as it is.

    ``chain`` (n, 4, 4): ``base_T_flange`` for a fixed camera, its inverse for one on the arm.
    """
    votes = _votes(chain, camera_T_board, board_T_turned)
    # The leading eigenvector is the best answer with fractions allowed; then views change sides while that helps.
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
    """(n, n), symmetric, -1 (numbered from opposite ends) to 1 (from the same end), 0 on the diagonal."""
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
    """Angle in radians, and shift along the axis in metres, of motions (..., 4, 4)."""
    turn = se3.log_rotation(motion[..., :3, :3])
    angle = np.linalg.norm(turn, axis=-1)
    along = np.abs((turn * motion[..., :3, 3]).sum(axis=-1)) / np.maximum(angle, 1e-9)
    return angle, along


def _screw_distance_m(first: tuple[Array, Array], second: tuple[Array, Array]) -> Array:
    out: Array = _LEVER_M * np.abs(first[0] - second[0]) + np.abs(first[1] - second[1])
    return out
