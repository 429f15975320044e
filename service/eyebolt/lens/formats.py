"""Lenses in two open forms: OpenCV's FileStorage (YAML or XML), and the camera-info YAML of robot middleware.

FileStorage files have the keys ``image_width``, ``image_height``, ``camera_matrix`` and ``distortion_coefficients``, as
OpenCV's documentation names them; the others have a ``distortion_model`` and matrices as rows, cols and data. Neither
holds standard deviations.
"""

from __future__ import annotations

from enum import StrEnum

import cv2
import numpy as np

from eyebolt.errors import InputFault
from eyebolt.geometry import COEFFICIENT_COUNTS, Array, CameraModel

# Fields of view of 159 to 0.6 degrees across: beyond, the focal length is in millimetres or of another image size.
_MIN_FOCAL, _MAX_FOCAL = 0.1, 100.0
_MODELS = {0: "plumb_bob", 4: "plumb_bob", 5: "plumb_bob", 8: "rational_polynomial"}
_FISHEYE_MODELS = ("equidistant", "fisheye", "kannala_brandt", "omni")
_EXPORT_REMEDY = "calibrate with --coefficients 5 or 8, or export to another form."


class LensForm(StrEnum):
    """Form of a lens file of another program."""

    OPENCV_YAML = "opencv-yaml"
    """OpenCV's FileStorage, YAML."""
    OPENCV_XML = "opencv-xml"
    """OpenCV's FileStorage, XML."""
    CAMERA_INFO = "camera-info"
    """Camera-info YAML of robot middleware."""


def import_lens(text: str, file_name: str) -> CameraModel:
    """The lens in a file of either form, without standard deviations.

    Raises InputFault ``lens-import`` with the reason for what is no such file, or no lens that this program has.
    """
    storage = _open(text, file_name)
    try:
        return _read(storage, file_name)
    except (cv2.error, SystemError):
        raise _import_fault(file_name, "a value in it is of another kind than its key", "correct the file.") from None
    finally:
        storage.release()


def export_lens(camera: CameraModel, form: LensForm, name: str) -> str:
    """The text of a file of ``form``; ``name`` of the camera, where the form has one.

    Raises InputFault ``lens-export`` for a lens that the form cannot hold.
    """
    if camera.matrix[0, 1] != 0:
        raise InputFault(
            "lens-export",
            f"the lens has a skew of {camera.matrix[0, 1]:g} px, which {form} files do not have",
            "calibrate the lens again: eyebolt lens estimates lenses without skew.",
        )
    return _camera_info_text(camera, name) if form is LensForm.CAMERA_INFO else _storage_text(camera, form)


def _open(text: str, file_name: str) -> cv2.FileStorage:
    content = text.removeprefix("\ufeff")
    # Camera-info files lack the first line that FileStorage asks for; both are YAML.
    if not content.lstrip().startswith(("%YAML", "<?xml", "<opencv_storage")):
        content = "%YAML:1.0\n---\n" + content.removeprefix("---\n")
    try:
        return cv2.FileStorage(content, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
    except (cv2.error, SystemError):
        raise _import_fault(
            file_name,
            "it is neither YAML nor XML that OpenCV reads",
            "name a file of OpenCV (YAML or XML) or a camera-info file (YAML).",
        ) from None


def _read(storage: cv2.FileStorage, file_name: str) -> CameraModel:
    matrix = _matrix(storage.getNode("camera_matrix"))
    if matrix is None or matrix.size != 9:
        raise _import_fault(
            file_name,
            "it has no camera_matrix of 3 x 3 numbers",
            "name the file with the intrinsics of one camera; those of a stereo pair are two lenses.",
        )
    width, height = (_whole(storage.getNode(key)) for key in ("image_width", "image_height"))
    if width is None or height is None:
        raise _import_fault(
            file_name,
            "it does not state the size of the images (image_width and image_height)",
            "add both, in pixels, as they were when the lens was calibrated.",
        )
    model = _model(storage, file_name)
    coefficients = _matrix(storage.getNode("distortion_coefficients"))
    distortion = np.zeros(0) if coefficients is None else coefficients.ravel()
    if distortion.size == 14 and not distortion[12:].any():
        distortion = distortion[:12]
    if distortion.size not in COEFFICIENT_COUNTS:
        tilted = ": the tilted sensor of OpenCV is not supported" if distortion.size == 14 else ""
        counts = ", ".join(map(str, COEFFICIENT_COUNTS))
        raise _import_fault(
            file_name,
            f"its {model or 'distortion'} has {distortion.size} coefficients, and {counts} are possible{tilted}",
            "calibrate the lens again: eyebolt lens STATION --pictures FOLDER.",
        )
    matrix = matrix.reshape(3, 3)
    _check_units(matrix, width, height, file_name)
    return CameraModel(width, height, matrix, distortion)


def _model(storage: cv2.FileStorage, file_name: str) -> str:
    """The name of the distortion model, empty where the file has none; another model than ours is a fault."""
    node = storage.getNode("distortion_model")
    model = node.string() if node.isString() else ""
    fisheye = storage.getNode("fisheye_model")
    is_fisheye = model.lower().startswith(_FISHEYE_MODELS) or (fisheye.isInt() and fisheye.real() != 0)
    if is_fisheye or (model and model not in _MODELS.values()):
        raise _import_fault(
            file_name,
            f"its distortion model is {model or 'the fisheye model'}, which projects differently",
            "calibrate the lens again: eyebolt lens STATION --pictures FOLDER; it suits fields of view up to about"
            " 100 degrees.",
        )
    for key in ("binning_x", "binning_y"):
        binning = storage.getNode(key)
        if binning.isInt() and binning.real() > 1:
            raise _import_fault(
                file_name,
                f"it is for images that are reduced {binning.real():g} times ({key})",
                "export the lens of the images as they arrive, or calibrate it again.",
            )
    return model


def _check_units(matrix: Array, width: int, height: int, file_name: str) -> None:
    fx, fy, cx, cy = matrix[[0, 1, 0, 1], [0, 1, 2, 2]]
    if not (_MIN_FOCAL * width <= fx <= _MAX_FOCAL * width and _MIN_FOCAL * width <= fy <= _MAX_FOCAL * width):
        raise _import_fault(
            file_name,
            f"a focal length of {fx:g} and {fy:g} is not in pixels of an image {width} px wide",
            "write camera_matrix in pixels: the focal length in mm over the width of a pixel in mm.",
        )
    if not (0 <= cx < width and 0 <= cy < height):
        raise _import_fault(
            file_name,
            f"the principal point ({cx:g}, {cy:g}) lies outside an image of {width} x {height} px",
            "check that image_width and image_height are those of the images that the lens was calibrated with.",
        )


def _matrix(node: cv2.FileNode) -> Array | None:
    """The numbers of a matrix in either notation; None if it is none."""
    if node.isMap():
        data = node.getNode("data")
        rows, cols = _whole(node.getNode("rows")), _whole(node.getNode("cols"))
        if rows is None or cols is None or not data.isSeq() or data.size() != rows * cols:
            return None
        numbers = [data.at(k) for k in range(data.size())]
        if not all(number.isReal() or number.isInt() for number in numbers):
            return None
        out = np.array([number.real() for number in numbers])
        return out if np.isfinite(out).all() else None
    return None


def _whole(node: cv2.FileNode) -> int | None:
    return int(node.real()) if node.isInt() and 0 < node.real() <= 100_000 else None


def _storage_text(camera: CameraModel, form: LensForm) -> str:
    suffix = ".xml" if form is LensForm.OPENCV_XML else ".yml"
    storage = cv2.FileStorage(suffix, cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    storage.write("image_width", camera.width_px)
    storage.write("image_height", camera.height_px)
    storage.write("camera_matrix", camera.matrix)
    if camera.distortion.size:
        storage.write("distortion_coefficients", camera.distortion.reshape(-1, 1))
    return str(storage.releaseAndGetString())


def _camera_info_text(camera: CameraModel, name: str) -> str:
    count = int(camera.distortion.size)
    if count not in _MODELS:
        raise InputFault(
            "lens-export",
            f"the lens has {count} coefficients, among them those of a thin prism, which camera-info files do not have",
            _EXPORT_REMEDY,
        )
    distortion = camera.distortion if count > 5 else np.pad(camera.distortion, (0, 5 - count))
    matrix = camera.matrix
    projection = np.concatenate([matrix, np.zeros((3, 1))], axis=1)
    parts = [
        f"image_width: {camera.width_px}",
        f"image_height: {camera.height_px}",
        f"camera_name: {name}",
        _info_matrix("camera_matrix", matrix),
        f"distortion_model: {_MODELS[count]}",
        _info_matrix("distortion_coefficients", distortion[None]),
        _info_matrix("rectification_matrix", np.eye(3)),
        _info_matrix("projection_matrix", projection),
    ]
    return "\n".join(parts) + "\n"


def _info_matrix(key: str, matrix: Array) -> str:
    # With a decimal point, also where YAML 1.1 would read an exponent without one as text.
    numbers = ", ".join(_decimal(number) for number in matrix.ravel().tolist())
    return f"{key}:\n  rows: {matrix.shape[0]}\n  cols: {matrix.shape[1]}\n  data: [{numbers}]"


def _decimal(number: float) -> str:
    text = repr(number)
    mantissa, exponent, power = text.partition("e")
    return text if "." in mantissa else f"{mantissa}.0{exponent}{power}"


def _import_fault(file_name: str, reason: str, remedy: str) -> InputFault:
    return InputFault("lens-import", f"the lens in {file_name} cannot be used: {reason}", remedy, path=file_name)
