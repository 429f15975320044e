"""The lens file (``camera.json``): picture size, camera matrix, distortion, and how well they are known.

{"width": 2448, "height": 2048,
 "matrix": [[fx, 0, cx], [0, fy, cy], [0, 0, 1]],        pixels, pixel centres at integers
 "distortion": [k1, k2, p1, p2, k3, ...],                 0, 4, 5, 8 or 12 numbers
 "sigma": {"fx": 1.2, "k1": 0.003, ...}}                  optional: standard deviations of any of them
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

from eyebolt.config.toml_diagnostics import format_value, printable
from eyebolt.config.validators import closest_match
from eyebolt.errors import InputFault
from eyebolt.geometry import COEFFICIENT_COUNTS, COEFFICIENT_NAMES, CameraModel

_KEYS = ("width", "height", "matrix", "distortion", "sigma")
_MATRIX_TEXT = "[[fx, s, cx], [0, fy, cy], [0, 0, 1]] with fx and fy above 0, in pixels"
_COUNTS_TEXT = f"a list of {', '.join(str(n) for n in COEFFICIENT_COUNTS)} numbers: k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4"
_MAX_SIZE_PX = 100_000


@dataclass(frozen=True)
class LensFault:
    """``key`` is a key of the lens file, such as ``sigma.k1``; empty where the text is no JSON object."""

    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        return f"{self.key + ': ' if self.key else ''}found {self.found}; allowed: {self.allowed}"


def parse_lens(text: str, file_name: str) -> CameraModel:
    """The camera model that a lens file's text states.

    Raises InputFault ``lens-file`` with every fault in its message and, as LensFault, in ``data["faults"]``.
    """
    faults: list[LensFault] = []
    content = _json_object(text, faults)
    if content is not None:
        _check(content, faults)
    if faults or content is None:
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise InputFault(
            "lens-file",
            f"the lens file {printable(file_name)} has {count}:" + "".join(f"\n  {fault}" for fault in faults),
            "correct the values named above, or calibrate the lens again.",
            file_name=file_name,
            faults=tuple(faults),
        )
    return CameraModel(
        content["width"],
        content["height"],
        content["matrix"],
        content["distortion"],
        {name: float(value) for name, value in content.get("sigma", {}).items()},
    )


def lens_text(model: CameraModel) -> str:
    """The lens file's text of ``model``; ``parse_lens`` gives the same numbers back to the last bit."""
    rows = ",\n             ".join(json.dumps([float(v) for v in row]) for row in model.matrix)
    parts = [
        f'"width": {model.width_px}',
        f'"height": {model.height_px}',
        f'"matrix": [{rows}]',
        f'"distortion": {json.dumps([float(v) for v in model.distortion])}',
    ]
    if model.sigma:
        parts.append(f'"sigma": {json.dumps({name: float(value) for name, value in model.sigma.items()})}')
    return "{\n  " + ",\n  ".join(parts) + "\n}\n"


def _json_object(text: str, faults: list[LensFault]) -> dict[str, Any] | None:
    def reject_duplicate_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        keys_seen: set[str] = set()
        for key, _ in pairs:
            if key in keys_seen:
                faults.append(LensFault(printable(key), "this key twice", "each key once"))
            keys_seen.add(key)
        return dict(pairs)

    try:
        content = json.loads(text.removeprefix("\ufeff"), object_pairs_hook=reject_duplicate_keys)
    except json.JSONDecodeError as error:
        place = f"text that is no JSON in line {error.lineno}, column {error.colno}"
        faults.append(LensFault("", place, "a JSON object: keys in double quotes, commas between, decimal points"))
        return None
    except (ValueError, RecursionError):
        faults.append(LensFault("", "a number or nesting too long to read", "a JSON object with the five known keys"))
        return None
    if not isinstance(content, dict):
        faults.append(LensFault("", format_value(content), "a JSON object with width, height, matrix and distortion"))
        return None
    return content


def _check(content: dict[str, Any], faults: list[LensFault]) -> None:
    for key in content:
        if key not in _KEYS:
            suggestion = closest_match(key, _KEYS)
            allowed = f"{suggestion} is the closest known key" if suggestion else "only the keys " + ", ".join(_KEYS)
            faults.append(
                LensFault(printable(key), f"an unknown key with the value {format_value(content[key])}", allowed)
            )
    for key in ("width", "height"):
        value = content.get(key)
        if type(value) is not int or not 1 <= value <= _MAX_SIZE_PX:
            allowed = f"a whole number of pixels from 1 to {_MAX_SIZE_PX}"
            faults.append(LensFault(key, _found(content, key), allowed))
    if not _is_camera_matrix(content.get("matrix")):
        faults.append(LensFault("matrix", _found(content, "matrix"), _MATRIX_TEXT))
    distortion: Any = content.get("distortion")
    is_distortion_valid = _is_numbers(distortion) and len(distortion) in COEFFICIENT_COUNTS
    if not is_distortion_valid:
        faults.append(LensFault("distortion", _found(content, "distortion"), _COUNTS_TEXT))
    if "sigma" in content:
        names = COEFFICIENT_NAMES[: len(distortion)] if is_distortion_valid else COEFFICIENT_NAMES
        _check_sigma(content["sigma"], ("fx", "fy", "cx", "cy", *names), faults)


def _check_sigma(sigma: object, names: tuple[str, ...], faults: list[LensFault]) -> None:
    if not isinstance(sigma, dict):
        faults.append(LensFault("sigma", format_value(sigma), "an object that names any of " + " ".join(names)))
        return
    for name, value in sigma.items():
        if name not in names:
            allowed = "any of " + " ".join(names) + ", as many as this lens has"
            faults.append(LensFault(f"sigma.{printable(name)}", format_value(value), allowed))
        elif not _is_number(value) or value <= 0:
            allowed = "a number above 0; leave it out if it is not known"
            faults.append(LensFault(f"sigma.{name}", format_value(value), allowed))


def _is_camera_matrix(value: Any) -> bool:
    if not isinstance(value, list) or len(value) != 3 or not all(_is_numbers(row) and len(row) == 3 for row in value):
        return False
    return bool(value[1][0] == 0 and value[2] == [0, 0, 1] and value[0][0] > 0 and value[1][1] > 0)


def _is_numbers(value: Any) -> bool:
    return isinstance(value, list) and all(_is_number(item) for item in value)


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False


def _found(content: dict[str, Any], key: str) -> str:
    return format_value(content[key]) if key in content else "nothing"
