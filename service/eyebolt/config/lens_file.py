"""The lens file (``camera.json``): image size, camera matrix, distortion, and their uncertainty.

LensRecord is its one definition, for reading and for writing.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import Annotated, Self

import numpy as np
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo

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
from eyebolt.geometry import (
    COEFFICIENT_COUNTS,
    COEFFICIENT_NAMES,
    Array,
    CameraModel,
    correlation_problem,
    parameter_names,
)

_MAX_SIZE_PX = 100_000
_SIZE_TEXT = f"a whole number of pixels from 1 to {_MAX_SIZE_PX}"
_MATRIX_TEXT = "[[fx, s, cx], [0, fy, cy], [0, 0, 1]] with fx and fy above 0, in pixels"
_COUNTS = ", ".join(str(n) for n in COEFFICIENT_COUNTS)
_DISTORTION_TEXT = f"a list of {_COUNTS} numbers: {' '.join(COEFFICIENT_NAMES)}"
_SIGMA_TEXT = "an object with any of fx fy cx cy and the names of the coefficients"
_SIGMA_VALUE_TEXT = "a number above 0; leave it out if it is not known"
_PARAMETERS_TEXT = "a list of different names, any of fx fy cx cy and of the coefficients that this lens has"
_COVARIANCE_MATRIX_TEXT = "a square matrix: a row of numbers for each name in parameters"
_MAX_PICTURES = 10_000
_PICTURES_TEXT = "a list of marks of 16 hexadecimal digits, as eyebolt lens writes them"
_COVARIANCE_TEXT = "an object with parameters and matrix, and then no sigma"

Row = tuple[float, float, float]


def _validate_matrix(matrix: tuple[Row, Row, Row]) -> tuple[Row, Row, Row]:
    (fx, _, _), (below_fx, fy, _), last = matrix
    if fx <= 0 or fy <= 0 or below_fx != 0 or last != (0, 0, 1):
        raise ValueError(_MATRIX_TEXT)
    return matrix


def _flatten_row(value: object) -> object:
    """The coefficients of a list in a list: OpenCV's calibrateCamera returns one row or one column of them."""
    if isinstance(value, tuple) and value and all(isinstance(part, tuple) for part in value):
        if len(value) == 1:
            return value[0]
        if all(len(part) == 1 for part in value):
            return tuple(part[0] for part in value)
    return value


def _validate_distortion(distortion: tuple[float, ...]) -> tuple[float, ...]:
    if len(distortion) not in COEFFICIENT_COUNTS:
        raise ValueError(_DISTORTION_TEXT)
    return distortion


def _parameter_names(info: ValidationInfo) -> tuple[str, ...]:
    # Fields are validated in order; an invalid distortion is absent from the data.
    return parameter_names(len(info.data.get("distortion", COEFFICIENT_NAMES)))


def _validate_sigma_name(name: str, info: ValidationInfo) -> str:
    names = _parameter_names(info)
    if name not in names:
        raise ValueError("any of " + " ".join(names) + ", as many as this lens has")
    return name


class LensCovariance(BaseModel):
    """Covariance of parameters of a lens."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    parameters: tuple[str, ...] = Field(description=_PARAMETERS_TEXT)
    """Names of the k parameters, any of fx fy cx cy and the coefficients."""
    matrix: tuple[tuple[float, ...], ...] = Field(description=_COVARIANCE_MATRIX_TEXT)
    """Covariance (k x k) in the order of the names, symmetric and positive semidefinite; px for fx, fy, cx and cy."""

    @classmethod
    def of(cls, camera: CameraModel) -> Self | None:
        """The covariance of a camera model; None if it has no more than standard deviations."""
        if camera.correlation is None:
            return None
        matrix = tuple(tuple(row) for row in camera.covariance.tolist())
        return cls(parameters=tuple(camera.sigma), matrix=matrix)

    def problem(self, known: Sequence[str]) -> str:
        """What a lens with the parameters ``known`` needs instead; empty if nothing is wrong."""
        names = self.parameters
        if len(set(names)) < len(names) or not set(names) <= set(known):
            return "parameters: different ones of " + " ".join(known) + ", as many as this lens has"
        if [len(row) for row in self.matrix] != [len(names)] * len(names):
            return f"matrix: {len(names)} rows of {len(names)} numbers, as many as there are parameters"
        if any(row[k] <= 0 for k, row in enumerate(self.matrix)):
            return "matrix: a diagonal above 0; leave a parameter out if its variance is not known"
        problem = correlation_problem(self.to_sigma_and_correlation()[1], len(names))
        return f"matrix: symmetric and positive semidefinite; {problem}" if problem else ""

    def to_sigma_and_correlation(self) -> tuple[dict[str, float], Array]:
        """The standard deviation of each parameter by name, and the correlation (k, k)."""
        sigma = np.sqrt([row[k] for k, row in enumerate(self.matrix)])
        correlation = np.array(self.matrix) / sigma[:, None] / sigma
        np.fill_diagonal(correlation, 1.0)
        return dict(zip(self.parameters, sigma.tolist(), strict=True)), correlation


def _validate_covariance(covariance: LensCovariance | None, info: ValidationInfo) -> LensCovariance | None:
    if covariance is None:
        raise ValueError(_COVARIANCE_TEXT)
    if info.data.get("sigma"):
        raise ValueError("either sigma or covariance, whose diagonal is the square of sigma")
    if problem := covariance.problem(_parameter_names(info)):
        raise ValueError(problem)
    return covariance


class LensRecord(BaseModel):
    """The content of a lens file. The description of a field is the text that is shown when its value is invalid."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    width: int = Field(ge=1, le=_MAX_SIZE_PX, description=_SIZE_TEXT)
    """Width of the images that the lens was calibrated with, px."""
    height: int = Field(ge=1, le=_MAX_SIZE_PX, description=_SIZE_TEXT)
    """Their height, px."""
    matrix: Annotated[tuple[Row, Row, Row], AfterValidator(_validate_matrix)] = Field(description=_MATRIX_TEXT)
    """Camera matrix, px; pixel centres have integer coordinates."""
    distortion: Annotated[tuple[float, ...], BeforeValidator(_flatten_row), AfterValidator(_validate_distortion)] = (
        Field(description=_DISTORTION_TEXT)
    )
    """Coefficients k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4, in OpenCV's order and model; 0, 4, 5, 8 or 12 of them, also as
    a list in a list, as OpenCV's calibrateCamera returns them."""
    sigma: dict[Annotated[str, AfterValidator(_validate_sigma_name)], Annotated[float, Field(gt=0)]] = Field(
        default={}, description=_SIGMA_TEXT
    )
    """Standard deviations of any of fx fy cx cy and the coefficients; the solver estimates these parameters jointly and
    includes their uncertainty in its error."""
    covariance: Annotated[LensCovariance | None, AfterValidator(_validate_covariance)] = Field(
        default=None, description=_COVARIANCE_TEXT
    )
    """`parameters`, any of the same names, and `matrix`, their covariance, symmetric and positive semidefinite: instead
    of `sigma`, where the correlation of the parameters is known."""

    pictures: tuple[Annotated[str, Field(pattern="^[0-9a-f]{16}$")], ...] = Field(
        default=(), max_length=_MAX_PICTURES, description=_PICTURES_TEXT
    )
    """Marks of the pictures that the lens was calibrated from, as `eyebolt lens` writes them: a solve that has some of
    them among its own does not count them twice."""

    @classmethod
    def from_camera(cls, camera: CameraModel, pictures: Sequence[str] = ()) -> Self:
        """The record of a camera model. Raises InputFault ``lens-model`` for one that a lens file cannot hold."""
        content = {
            "width": camera.width_px,
            "height": camera.height_px,
            "matrix": lists_to_tuples(camera.matrix.tolist()),
            "distortion": tuple(camera.distortion.tolist()),
            "pictures": tuple(pictures),
        }
        try:
            if camera.correlation is None:
                content["sigma"] = {name: float(value) for name, value in camera.sigma.items()}
            else:
                content["covariance"] = LensCovariance.of(camera)
            return cls.model_validate(content)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            key = ".".join(str(part) for part in first["loc"])
            message = f"the lens cannot be written as a lens file: {key}: {first['msg']}"
            raise InputFault("lens-model", message, "calibrate the lens again.") from None

    def to_camera(self) -> CameraModel:
        """The camera model."""
        sigma, correlation = dict(self.sigma), None
        if self.covariance is not None:
            sigma, correlation = self.covariance.to_sigma_and_correlation()
        matrix, distortion = np.array(self.matrix), np.array(self.distortion)
        return CameraModel(self.width, self.height, matrix, distortion, sigma, correlation)

    def to_text(self) -> str:
        """The text of the file, one row of a matrix per line; an empty ``sigma`` or ``covariance`` is left out."""
        values = self.model_dump(mode="json")
        if not self.sigma:
            del values["sigma"]
        if self.covariance is None:
            del values["covariance"]
        if not self.pictures:
            del values["pictures"]
        fields = {key: json.dumps(value) for key, value in values.items()}
        fields["matrix"] = _rows_text(self.matrix, 13)
        if self.covariance is not None:
            names = json.dumps(self.covariance.parameters)
            fields["covariance"] = f'{{"parameters": {names},\n    "matrix": {_rows_text(self.covariance.matrix, 15)}}}'
        return "{\n  " + ",\n  ".join(f'"{key}": {text}' for key, text in fields.items()) + "\n}\n"


def _rows_text(matrix: Sequence[Sequence[float]], indent: int) -> str:
    return "[" + (",\n" + " " * indent).join(json.dumps(row) for row in matrix) + "]"


def parse_lens(text: str, file_name: str) -> CameraModel:
    """The camera model of a lens file's text. Raises what ``parse_lens_record`` raises."""
    return parse_lens_record(text, file_name).to_camera()


def parse_lens_record(text: str, file_name: str) -> LensRecord:
    """The content of a lens file's text.

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
            return record
    raise InputFault(
        "lens-file",
        list_faults(f"the lens file {printable(file_name)}", faults),
        "correct the values named above, or calibrate the lens again.",
        file_name=file_name,
        faults=tuple(faults),
    )


def lens_text(camera: CameraModel, pictures: Sequence[str] = ()) -> str:
    """The text of a lens file; ``pictures``: marks of those that it was calibrated from.

    ``parse_lens`` restores the same numbers to the last bit; those of a ``covariance``, as sigmas and correlation, to
    rounding.
    """
    return LensRecord.from_camera(camera, pictures).to_text()


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
        faults.append(ConfigFault("", str(error), "a JSON object with the seven known keys", line))
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
        path = tuple(str(part) for part in detail["loc"][: 2 if key in ("sigma", "covariance") else 1])
        if path in faults:
            continue
        cause = detail.get("ctx", {}).get("error")
        part = content.get(key)
        if key not in known:
            suggestion = closest_match(key, known)
            allowed = f"{suggestion} is the closest known key" if suggestion else "only the keys " + ", ".join(known)
            found = f"an unknown key with the value {format_value(content[key])}"
        elif len(path) == 2 and key == "sigma" and isinstance(part, dict):
            allowed = str(cause) if cause is not None else _SIGMA_VALUE_TEXT
            found = format_value(part[path[1]])
        elif len(path) == 2 and isinstance(part, dict):
            field = LensCovariance.model_fields.get(path[1])
            allowed = "only the keys parameters and matrix" if field is None else str(field.description)
            found = format_value(part[path[1]]) if path[1] in part else "nothing"
        elif key == "covariance":
            allowed = str(cause) if cause is not None else _COVARIANCE_TEXT
            found = format_value(part)
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
