"""``result.json``: the answer, how wrong it may be, what it rests on, and the word on it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from eyebolt import __version__
from eyebolt.calibration import ErrorMap, HeldOutError, Refusal, ResultAcceptance, Solution, TouchCheck
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, Mount, PoseFormat, se3
from eyebolt.planning import Coverage

SCHEMA = 1
_STATUSES = ("accept", "unproven", "reject")


@dataclass(frozen=True)
class Provenance:
    """Where a result comes from. ``inputs``: names and SHA-256 digests of what went in; ``timestamp``: ISO 8601 time."""

    station: str
    session: str
    mount: Mount
    pose_format: PoseFormat
    inputs: Mapping[str, str]
    timestamp: str


def result_document(
    provenance: Provenance, outcome: Solution | Refusal, acceptance: ResultAcceptance, coverage: Coverage | None = None
) -> dict[str, Any]:
    """The whole document as plain JSON values; keys that a refusal cannot fill are null.

    ``coverage``: what the pairs know, where there is a solution.
    """
    head = {
        "schema": SCHEMA,
        "station": provenance.station,
        "session": provenance.session,
        "timestamp": provenance.timestamp,
        "mount": provenance.mount,
    }
    tail = {
        "coverage": None if coverage is None else asdict(coverage),
        "acceptance": acceptance.status,
        "reason": acceptance.reason,
        "accepted": None,
        "inputs": dict(provenance.inputs),
        "software": f"eyebolt {__version__}",
    }
    body = (
        _refusal_fields(outcome) if isinstance(outcome, Refusal) else _solution_fields(outcome, provenance.pose_format)
    )
    return {**head, **body, **tail}


def _solution_fields(solution: Solution, pose_format: PoseFormat) -> dict[str, Any]:
    transform = _transform(solution.transform_name, solution.X, pose_format)
    transform["robot_pose"]["sigma"] = _sigma(solution, pose_format)
    return {
        "transform": transform,
        "board": _transform(solution.board_transform_name, solution.Y, pose_format),
        "unobservable": list(solution.unobservable),
        "expected_error_mm": asdict(solution.expected_error_mm),
        "error_map": _error_map(solution.error_map),
        "expected_pick_error_mm": asdict(solution.expected_pick_error_mm),
        "covariance": solution.covariance.tolist(),
        "cross_validation": _held_out(solution.held_out),
        "checks": _held_out(solution.checks),
        "touches": _touches(solution.touches),
        "height": None if solution.height is None else asdict(solution.height),
        "corner_rms_px": solution.corner_rms_px,
        "robot_noise": {
            "mm": solution.robot_noise_mm,
            "deg": solution.robot_noise_deg,
            "stated": solution.robot_noise_stated,
        },
        "scale": asdict(solution.board_scale),
        "focal": asdict(solution.focal_length),
        "lens": {name: asdict(found) for name, found in solution.lens.items()},
        "pairs": {"used": solution.pairs_used, "excluded": [asdict(p) for p in solution.excluded]},
        "findings": [asdict(f) for f in solution.findings],
    }


def _refusal_fields(refusal: Refusal) -> dict[str, Any]:
    finding = {
        "code": refusal.code,
        "severity": "stop",
        "message": refusal.message,
        "evidence": {},
        "remedy": refusal.remedy,
    }
    errors = ("expected_error_mm", "error_map", "expected_pick_error_mm", "covariance")
    empty = (*errors, "height", "corner_rms_px", "robot_noise", "scale", "focal", "lens")
    return {
        "transform": None,
        "board": None,
        "unobservable": list(refusal.unobservable),
        **dict.fromkeys(empty),
        **{key: _held_out(None) for key in ("cross_validation", "checks", "touches")},
        "pairs": {"used": refusal.pairs_used, "excluded": [asdict(p) for p in refusal.excluded]},
        "findings": [*(asdict(f) for f in refusal.findings), finding],
    }


def _transform(name: str, target_T_source: Array, pose_format: PoseFormat) -> dict[str, Any]:
    return {
        "name": name,
        "matrix": target_T_source.tolist(),
        "translation_mm": (target_T_source[:3, 3] * 1e3).tolist(),
        "quaternion_wxyz": se3.quaternion_wxyz(target_T_source[:3, :3]).tolist(),
        "robot_pose": {
            "length": pose_format.length,
            "rotation": pose_format.rotation,
            "angle": pose_format.angle,
            "values": pose_format.to_fields(target_T_source),
        },
    }


def _sigma(solution: Solution, pose_format: PoseFormat) -> list[float | None]:
    """Standard deviation of each of the robot's numbers; None for the height that a vertical arm cannot show."""
    sigma: list[float | None] = [*pose_format.field_sigmas(solution.X, solution.covariance)]
    if solution.unobservable:
        # That arm's vertical is z of the base and of the flange alike, so the height is the third number.
        sigma[2] = None
    return sigma


def _error_map(error_map: ErrorMap) -> dict[str, Any]:
    return {
        "u_px": error_map.u_px.tolist(),
        "v_px": error_map.v_px.tolist(),
        "distance_mm": (error_map.distance_m * 1e3).tolist(),
        # A tenth of a micrometre is far below what the numbers mean.
        "p95_mm": error_map.p95_mm.round(4).tolist(),
    }


def _held_out(held_out: HeldOutError | None) -> dict[str, Any]:
    if held_out is None:
        return {"count": 0, "rms_mm": None, "worst_mm": None, "reduced_chi2": None}
    return asdict(held_out)


def _touches(check: TouchCheck | None) -> dict[str, Any]:
    if check is None:
        return _held_out(None)
    return {key: getattr(check, key) for key in ("count", "rms_mm", "worst_mm", "reduced_chi2")}


def to_text(document: Mapping[str, Any]) -> str:
    """The document as it stands in the file."""
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def accepted_document(text: str, by: str, timestamp: str) -> dict[str, Any]:
    """The document in ``text``, accepted by a person or by the station's rule.

    Raises InputFault ``not-acceptable`` if it holds no transform or was rejected, ``result-file`` if it is none.
    """
    document = _read(text)
    if document.get("acceptance") not in _STATUSES or "reason" not in document:
        raise _result_fault("it has no verdict")
    if document.get("transform") is None or document["acceptance"] == "reject":
        raise InputFault(
            "not-acceptable",
            f"this session's result is rejected: {document['reason']}",
            "capture more or better pairs as the reason says; a rejected result cannot be accepted.",
        )
    # Nothing may become the station's that the robot could not be given.
    accepted_transform(text)
    return {**document, "accepted": {"by": by, "at": timestamp}}


def accepted_transform(text: str) -> Array:
    """The transform (4, 4), metres, of an accepted document. Raises InputFault ``result-file``."""
    document = _read(text)
    try:
        values = document["transform"]["matrix"]
        out = se3.compose_parts([row[:3] for row in values[:3]], [row[3] for row in values[:3]])
    except (KeyError, TypeError, IndexError, ValueError):
        raise _result_fault("it holds no transform") from None
    if not np.isfinite(out).all() or se3.orthogonality_error(out[:3, :3]) > 1e-6:
        raise _result_fault("its transform is not rigid")
    return out


def _read(text: str) -> dict[str, Any]:
    try:
        document = json.loads(text)
    except (json.JSONDecodeError, RecursionError):
        raise _result_fault("it is not JSON") from None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise _result_fault(f"its schema is not {SCHEMA}")
    return document


def _result_fault(detail: str) -> InputFault:
    return InputFault(
        "result-file",
        f"this is no result file: {detail}",
        "let the daemon solve the session again: start it and send solve.",
    )
