"""Rigid transforms, the mount of the camera, pose formats of controllers, and the camera model. Pure."""

from eyebolt.geometry import se3
from eyebolt.geometry.camera_model import (
    COEFFICIENT_COUNTS,
    COEFFICIENT_NAMES,
    MATRIX_NAMES,
    CameraModel,
    correlation_problem,
    parameter_names,
)
from eyebolt.geometry.mount import FlangeRotation, Mount
from eyebolt.geometry.pick import PickPose, PickPosture
from eyebolt.geometry.pose_format import ANGLE_UNITS_RAD, EULER_KINDS, LENGTH_UNITS_M, ROTATION_KINDS, PoseFormat
from eyebolt.geometry.se3 import Array, Matrix4, Row4, RowSelection, to_matrix4

__all__ = [
    "ANGLE_UNITS_RAD",
    "COEFFICIENT_COUNTS",
    "COEFFICIENT_NAMES",
    "EULER_KINDS",
    "LENGTH_UNITS_M",
    "MATRIX_NAMES",
    "ROTATION_KINDS",
    "Array",
    "CameraModel",
    "FlangeRotation",
    "Matrix4",
    "Mount",
    "PickPose",
    "PickPosture",
    "PoseFormat",
    "Row4",
    "RowSelection",
    "correlation_problem",
    "parameter_names",
    "se3",
    "to_matrix4",
]
