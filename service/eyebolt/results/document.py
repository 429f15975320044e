"""``result.json``: the answer, how wrong it may be, what it rests on, and the word on it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from eyebolt import __version__
from eyebolt.calibration import ErrorMap, HeldOut, Judgement, Refusal, Solution, TouchCheck
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, PoseReading, se3
from eyebolt.planning import Knowledge

SCHEMA = 1
_VERDICTS = ("accept", "unproven", "reject")


@dataclass(frozen=True)
class Origin:
    """Where a result comes from. ``inputs``: names and SHA-256 digests of what went in; ``wall``: ISO 8601 time."""

    station: str
    session: str
    mount: str
    reading: PoseReading
    inputs: Mapping[str, str]
    wall: str


def result_document(
    origin: Origin, outcome: Solution | Refusal, judgement: Judgement, knowledge: Knowledge | None = None
) -> dict[str, Any]:
    """The whole document as plain JSON values; keys that a refusal cannot fill are null.

    ``knowledge``: what the pairs know, where there is a solution.
    """
    head = {
        "schema": SCHEMA,
        "station": origin.station,
        "session": origin.session,
        "time": origin.wall,
        "mount": origin.mount,
    }
    tail = {
        "knowledge": None if knowledge is None else asdict(knowledge),
        "verdict": judgement.verdict,
        "why": judgement.why,
        "accepted": None,
        "inputs": dict(origin.inputs),
        "software": f"eyebolt {__version__}",
    }
    body = _refused(outcome) if isinstance(outcome, Refusal) else _solved(outcome, origin.reading)
    return {**head, **body, **tail}


def _solved(solution: Solution, reading: PoseReading) -> dict[str, Any]:
    transform = _transform(solution.transform_name, solution.X, reading)
    transform["robot_terms"]["sigma"] = _sigma(solution, reading)
    return {
        "transform": transform,
        "board": _transform(solution.board_name, solution.Y, reading),
        "unknown": list(solution.unknown),
        "expected_error_mm": asdict(solution.expected_error_mm),
        "error_map": _error_map(solution.error_map),
        "expected_pick_mm": asdict(solution.expected_pick_mm),
        "covariance": solution.covariance.tolist(),
        "held_out": _held_out(solution.held_out),
        "checks": _held_out(solution.checks),
        "touches": _touches(solution.touches),
        "height": None if solution.height is None else asdict(solution.height),
        "corner_rms_px": solution.corner_rms_px,
        "robot_noise": {
            "mm": solution.robot_noise_mm,
            "deg": solution.robot_noise_deg,
            "stated": solution.robot_noise_stated,
        },
        "scale": asdict(solution.scale),
        "focal": asdict(solution.focal),
        "lens": {name: asdict(found) for name, found in solution.lens.items()},
        "pairs": {"kept": solution.kept, "left_out": [asdict(p) for p in solution.left_out]},
        "findings": [asdict(f) for f in solution.findings],
    }


def _refused(refusal: Refusal) -> dict[str, Any]:
    finding = {
        "code": refusal.code,
        "severity": "stop",
        "says": refusal.says,
        "evidence": {},
        "remedy": refusal.remedy,
    }
    errors = ("expected_error_mm", "error_map", "expected_pick_mm", "covariance")
    empty = (*errors, "height", "corner_rms_px", "robot_noise", "scale", "focal", "lens")
    return {
        "transform": None,
        "board": None,
        "unknown": list(refusal.unknown),
        **dict.fromkeys(empty),
        **{key: _held_out(None) for key in ("held_out", "checks", "touches")},
        "pairs": {"kept": refusal.kept, "left_out": [asdict(p) for p in refusal.left_out]},
        "findings": [*(asdict(f) for f in refusal.findings), finding],
    }


def _transform(name: str, target_T_source: Array, reading: PoseReading) -> dict[str, Any]:
    return {
        "name": name,
        "matrix": target_T_source.tolist(),
        "translation_mm": (target_T_source[:3, 3] * 1e3).tolist(),
        "quaternion_wxyz": se3.quaternion_wxyz(target_T_source[:3, :3]).tolist(),
        "robot_terms": {
            "length": reading.length,
            "rotation": reading.rotation,
            "angle": reading.angle,
            "values": reading.to_fields(target_T_source),
        },
    }


def _sigma(solution: Solution, reading: PoseReading) -> list[float | None]:
    """Standard deviation of each of the robot's numbers; None for the height that a vertical arm cannot show."""
    sigma: list[float | None] = [*reading.sigma_of_fields(solution.X, solution.covariance)]
    if solution.unknown:
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


def _held_out(held_out: HeldOut | None) -> dict[str, Any]:
    if held_out is None:
        return {"count": 0, "rms_mm": None, "worst_mm": None, "normalised": None}
    return asdict(held_out)


def _touches(check: TouchCheck | None) -> dict[str, Any]:
    if check is None:
        return _held_out(None)
    return {key: getattr(check, key) for key in ("count", "rms_mm", "worst_mm", "normalised")}


def to_text(document: Mapping[str, Any]) -> str:
    """The document as it stands in the file."""
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def accepted_document(text: str, by: str, wall: str) -> dict[str, Any]:
    """The document in ``text``, accepted by a person or by the station's rule.

    Raises InputFault ``not-acceptable`` if it holds no transform or was rejected, ``result-file`` if it is none.
    """
    document = _read(text)
    if document.get("verdict") not in _VERDICTS or "why" not in document:
        raise _not_a_result("it has no verdict")
    if document.get("transform") is None or document["verdict"] == "reject":
        raise InputFault(
            "not-acceptable",
            f"this session's result is rejected: {document['why']}",
            "capture more or better pairs as the reason says; a rejected result cannot be accepted.",
        )
    # Nothing may become the station's that the robot could not be given.
    accepted_transform(text)
    return {**document, "accepted": {"by": by, "at": wall}}


def accepted_transform(text: str) -> Array:
    """The transform (4, 4), metres, of an accepted document. Raises InputFault ``result-file``."""
    document = _read(text)
    try:
        values = document["transform"]["matrix"]
        out = se3.compose_parts([row[:3] for row in values[:3]], [row[3] for row in values[:3]])
    except (KeyError, TypeError, IndexError, ValueError):
        raise _not_a_result("it holds no transform") from None
    if not np.isfinite(out).all() or se3.orthogonality_error(out[:3, :3]) > 1e-6:
        raise _not_a_result("its transform is not rigid")
    return out


def _read(text: str) -> dict[str, Any]:
    try:
        document = json.loads(text)
    except (json.JSONDecodeError, RecursionError):
        raise _not_a_result("it is not JSON") from None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise _not_a_result(f"its schema is not {SCHEMA}")
    return document


def _not_a_result(detail: str) -> InputFault:
    return InputFault(
        "result-file",
        f"this is no result file: {detail}",
        "let the daemon solve the session again: start it and send solve.",
    )
