"""The longest capture of each controller language: it fits the strings there, and what its decimals round away."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.geometry import LENGTH_UNITS_M, PoseFormat
from eyebolt.protocol import Request, parse
from eyebolt_sim.controllers import CONTROLLERS

# Language, format, decimals of lengths and of rotation numbers; then the characters of the longest line, and the
# rounding error of the rotation: largest and RMS, deg, and the largest displacement at 1 m, um. The table of the
# protocol's README.
LANGUAGES = [
    ("rapid", PoseFormat("mm", "quaternion-wxyz"), 3, 5, 77, 1.15e-3, 5.8e-4, 20.0),
    ("krl", PoseFormat("mm", "euler-ZYX", "deg"), 3, 4, 71, 1.12e-4, 5.0e-5, 2.0),
    ("karel", PoseFormat("mm", "euler-xyz", "deg"), 3, 4, 71, 1.12e-4, 5.0e-5, 2.0),
    ("rotation_vector_script", PoseFormat("m", "rotation-vector", "rad"), 6, 6, 71, 5.0e-5, 2.5e-5, 0.9),
    ("spel", PoseFormat("mm", "euler-ZYX", "deg"), 3, 4, 71, 1.12e-4, 5.0e-5, 2.0),
    ("val3", PoseFormat("mm", "euler-XYZ", "deg"), 3, 4, 71, 1.12e-4, 5.0e-5, 2.0),
    ("inform", PoseFormat("um", "euler-xyz", "1e-4deg"), 0, 0, 65, 1.12e-4, 5.0e-5, 2.0),
    ("melfa_basic", PoseFormat("mm", "euler-xyz", "deg"), 3, 4, 71, 1.12e-4, 5.0e-5, 2.0),
    ("as", PoseFormat("mm", "euler-ZYZ", "deg"), 3, 4, 71, 1.12e-4, 5.0e-5, 2.0),
]
EACH = pytest.mark.parametrize("row", LANGUAGES, ids=lambda row: row[0])
# What most controllers can hold in one string.
STRING_CHARACTERS = 80


def test_the_models_of_controllers_print_what_is_stated_here():
    stated = {name: (form, length, rotation) for name, form, length, rotation, *_ in LANGUAGES}
    # A second model of a language prints its own literals.
    rows = {name: row for name, row in CONTROLLERS.items() if not name.endswith("_literal")}
    assert rows.keys() == stated.keys()
    for name, row in rows.items():
        form = row.pose_format
        modelled = PoseFormat(form.length, form.rotation, form.angle)
        assert (modelled, *row.decimals) == stated[name]


def numbers_of(pose_format, turns):
    """(n, 3 or 4): the rotation numbers of ``turns``."""
    if pose_format.is_quaternion:
        return np.roll(turns.as_quat(), 1, axis=-1)
    if pose_format.rotation == "rotation-vector":
        return turns.as_rotvec()
    degrees = turns.as_euler(pose_format.rotation.removeprefix("euler-"), degrees=True)
    return degrees * (1e4 if pose_format.angle == "1e-4deg" else 1.0)


def printed(value, decimals):
    return f"{value:.{decimals}f}"


@EACH
def test_the_longest_capture_fits_a_string(row):
    _, pose_format, length_decimals, decimals, characters, *_ = row
    # Up to 10 m, and half a turn.
    lengths = [printed(-1.234567 / LENGTH_UNITS_M[pose_format.length], length_decimals)] * 3
    largest = -0.12345 if pose_format.is_quaternion else np.pi if pose_format.angle == "rad" else 179.1234
    turn = -abs(largest) * (1e4 if pose_format.angle == "1e-4deg" else 1.0)
    line = " ".join(["capture 999", *lengths, *[printed(turn, decimals)] * (pose_format.field_count - 3)])
    assert len(line) == characters <= STRING_CHARACTERS - 2
    assert isinstance(parse(line.encode(), pose_format.field_count), Request)


@EACH
def test_the_rounding_error_of_a_rotation_is_the_stated_one(row):
    _, pose_format, _, decimals, _, largest_deg, rms_deg, largest_um = row
    turns = Rotation.random(20_000, rng=np.random.default_rng(5))
    numbers = np.round(numbers_of(pose_format, turns), decimals)
    read = pose_format.to_matrices(np.column_stack([np.zeros((len(numbers), 3)), numbers]))[:, :3, :3]
    errors_deg = np.rad2deg((turns.inv() * Rotation.from_matrix(read)).magnitude())
    assert 0.7 * largest_deg < errors_deg.max() <= largest_deg
    assert np.sqrt(np.mean(errors_deg**2)) == pytest.approx(rms_deg, rel=0.05)
    # Of the point at 1 m that moves most: the spectral norm.
    displacements_um = np.linalg.norm(read - turns.as_matrix(), ord=2, axis=(1, 2)) * 1e6
    assert 0.7 * largest_um < displacements_um.max() <= largest_um
