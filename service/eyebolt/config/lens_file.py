"""The lens file (``camera.json``): image size, camera matrix, distortion, and their uncertainty.

LensRecord is its one definition, for reading and for writing.
"""

from __future__ import annotations

import json
import re
from typing import Annotated, Self

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, ValidationInfo

from eyebolt.bounded_text import TextLimitError, parse_json
from eyebolt.config.diagnostics import (
    ConfigFault,
    closest_match,
    format_value,
    list_faults,
    lists_to_tuples,
    printable,
)
from eyebolt.errors import InputFault
from eyebolt.geometry import COEFFICIENT_COUNTS, COEFFICIENT_NAMES, CameraModel

_MAX_SIZE_PX = 100_000
_SIZE_TEXT = f"a whole number of pixels from 1 to {_MAX_SIZE_PX}"
_MATRIX_TEXT = "[[fx, s, cx], [0, fy, cy], [0, 0, 1]] with fx and fy above 0, in pixels"
_COUNTS = ", ".join(str(n) for n in COEFFICIENT_COUNTS)
_DISTORTION_TEXT = f"a list of {_COUNTS} numbers: {' '.join(COEFFICIENT_NAMES)}"
_SIGMA_TEXT = "an object with any of fx fy cx cy and the names of the coefficients"
_SIGMA_VALUE_TEXT = "a number above 0; leave it out if it is not known"

Row = tuple[float, float, float]


def _validate_matrix(matrix: tuple[Row, Row, Row]) -> tuple[Row, Row, Row]:
    (fx, _, _), (below_fx, fy, _), last = matrix
    if fx <= 0 or fy <= 0 or below_fx != 0 or last != (0, 0, 1):
        raise ValueError(_MATRIX_TEXT)
    return matrix


def _validate_distortion(distortion: tuple[float, ...]) -> tuple[float, ...]:
    if len(distortion) not in COEFFICIENT_COUNTS:
        raise ValueError(_DISTORTION_TEXT)
    return distortion


def _validate_sigma_name(name: str, info: ValidationInfo) -> str:
    # Fields are validated in order; an invalid distortion is absent from the data.
    distortion = info.data.get("distortion", COEFFICIENT_NAMES)
    names = ("fx", "fy", "cx", "cy", *COEFFICIENT_NAMES[: len(distortion)])
    if name not in names:
        raise ValueError("any of " + " ".join(names) + ", as many as this lens has")
    return name


class LensRecord(BaseModel):
    """The content of a lens file. The description of a field is the text that is shown when its value is invalid."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    width: int = Field(ge=1, le=_MAX_SIZE_PX, description=_SIZE_TEXT)
    """Width of the images that the lens was calibrated with, px."""
    height: int = Field(ge=1, le=_MAX_SIZE_PX, description=_SIZE_TEXT)
    """Their height, px."""
    matrix: Annotated[tuple[Row, Row, Row], AfterValidator(_validate_matrix)] = Field(description=_MATRIX_TEXT)
    """Camera matrix, px; pixel centres have integer coordinates."""
    distortion: Annotated[tuple[float, ...], AfterValidator(_validate_distortion)] = Field(description=_DISTORTION_TEXT)
    """Coefficients k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4, in OpenCV's order and model; 0, 4, 5, 8 or 12 of them."""
    sigma: dict[Annotated[str, AfterValidator(_validate_sigma_name)], Annotated[float, Field(gt=0)]] = Field(
        default={}, description=_SIGMA_TEXT
    )
    """Standard deviations of any of fx fy cx cy and the coefficients; the solver estimates these parameters jointly and
    includes their uncertainty in its error."""

    @classmethod
    def from_camera(cls, camera: CameraModel) -> Self:
        """The record of a camera model. Raises InputFault ``lens-model`` for one that a lens file cannot hold."""
        content = {
            "width": camera.width_px,
            "height": camera.height_px,
            "matrix": lists_to_tuples(camera.matrix.tolist()),
            "distortion": tuple(camera.distortion.tolist()),
            "sigma": {name: float(value) for name, value in camera.sigma.items()},
        }
        try:
            return cls.model_validate(content)
        except ValidationError as error:
            raise InputFault(
                "lens-model", f"the lens cannot be written as a lens file: {error}", "calibrate the lens again."
            ) from error

    def to_camera(self) -> CameraModel:
        """The camera model."""
        return CameraModel(self.width, self.height, np.array(self.matrix), np.array(self.distortion), dict(self.sigma))

    def to_text(self) -> str:
        """The text of the file, one row of the matrix per line; an empty ``sigma`` is left out."""
        values = self.model_dump(mode="json")
        if not self.sigma:
            del values["sigma"]
        fields = {key: json.dumps(value) for key, value in values.items()}
        fields["matrix"] = "[" + ",\n             ".join(json.dumps(row) for row in self.matrix) + "]"
        return "{\n  " + ",\n  ".join(f'"{key}": {text}' for key, text in fields.items()) + "\n}\n"


def parse_lens(text: str, file_name: str) -> CameraModel:
    """The camera model of a lens file's text.

    Raises InputFault ``lens-file`` with every fault in its message and, as ConfigFault, in ``data["faults"]``.
    """
    faults: list[ConfigFault] = []
    content = _json_object(text, faults)
    if content is not None:
        try:
            record = LensRecord.model_validate(lists_to_tuples(content))
        except ValidationError as error:
            faults += _faults_of(text, content, error)
        if not faults:
            return record.to_camera()
    raise InputFault(
        "lens-file",
        list_faults(f"the lens file {printable(file_name)}", faults),
        "correct the values named above, or calibrate the lens again.",
        file_name=file_name,
        faults=tuple(faults),
    )


def lens_text(camera: CameraModel) -> str:
    """The text of a lens file; ``parse_lens`` restores the same numbers to the last bit."""
    return LensRecord.from_camera(camera).to_text()


def _json_object(text: str, faults: list[ConfigFault]) -> dict[str, object] | None:
    def reject_duplicate_keys(pairs: list[tuple[str, object]]) -> dict[str, object]:
        keys: set[str] = set()
        for key, _ in pairs:
            if key in keys:
                faults.append(ConfigFault(printable(key), "this key twice", "each key once", _line_of(text, (key,))))
            keys.add(key)
        return dict(pairs)

    try:
        content = parse_json(text.removeprefix("\ufeff"), object_pairs_hook=reject_duplicate_keys, limit_values=False)
    except json.JSONDecodeError as error:
        allowed = "a JSON object: keys in double quotes, commas between, decimal points"
        faults.append(ConfigFault("", f"text that is not JSON, in column {error.colno}", allowed, error.lineno))
        return None
    except ValueError as error:
        line = error.line if isinstance(error, TextLimitError) else None
        faults.append(ConfigFault("", str(error), "a JSON object with the five known keys", line))
        return None
    if not isinstance(content, dict):
        allowed = "a JSON object with width, height, matrix and distortion"
        faults.append(ConfigFault("", format_value(content), allowed))
        return None
    return content


def _faults_of(text: str, content: dict[str, object], error: ValidationError) -> list[ConfigFault]:
    """One fault for each key, or for each name under ``sigma``, in the order of the fields."""
    known = LensRecord.model_fields
    faults: dict[tuple[str, ...], ConfigFault] = {}
    for detail in error.errors():
        key = str(detail["loc"][0])
        path = tuple(str(part) for part in detail["loc"][: 2 if key == "sigma" else 1])
        if path in faults:
            continue
        cause = detail.get("ctx", {}).get("error")
        sigma = content.get("sigma")
        if key not in known:
            suggestion = closest_match(key, known)
            allowed = f"{suggestion} is the closest known key" if suggestion else "only the keys " + ", ".join(known)
            found = f"an unknown key with the value {format_value(content[key])}"
        elif len(path) == 2 and isinstance(sigma, dict):
            allowed = str(cause) if cause is not None else _SIGMA_VALUE_TEXT
            found = format_value(sigma[path[1]])
        else:
            allowed = str(known[key].description)
            found = format_value(content[key]) if key in content else "nothing"
        shown_key = ".".join(printable(part) for part in path)
        faults[path] = ConfigFault(shown_key, found, allowed, _line_of(text, path))
    return list(faults.values())


def _line_of(text: str, path: tuple[str, ...]) -> int | None:
    """Line of the first key spelled like the last one of ``path``, after those before it; None if there is none."""
    position = 0
    for key in path:
        match = re.compile(rf"{re.escape(json.dumps(key, ensure_ascii=False))}\s*:").search(text, position)
        if match is None:
            return None
        position = match.start()
    return text.count("\n", 0, position) + 1
