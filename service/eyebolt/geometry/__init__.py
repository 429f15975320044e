"""Rigid transforms, mount of the camera, pose formats of controllers, camera model and model of an arm. Pure."""

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
from eyebolt.geometry.pose_readings import PoseReading, numbers_in, possible_readings
from eyebolt.geometry.pose_words import describe_direction, describe_pose
from eyebolt.geometry.se3 import Array, Matrix4, Row4, RowSelection, to_matrix4
from eyebolt.geometry.serial_arm import DhRow, SerialArm

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
    "DhRow",
    "FlangeRotation",
    "Matrix4",
    "Mount",
    "PickPose",
    "PickPosture",
    "PoseFormat",
    "PoseReading",
    "Row4",
    "RowSelection",
    "SerialArm",
    "correlation_problem",
    "describe_direction",
    "describe_pose",
    "numbers_in",
    "parameter_names",
    "possible_readings",
    "se3",
    "to_matrix4",
]
