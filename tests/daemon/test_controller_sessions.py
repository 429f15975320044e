"""Whole sessions of modelled controllers against ``eyebolt serve``; the bench ``controllers`` has all models."""

import pytest

from eyebolt_sim.controllers import CONTROLLERS, Connection
from support import long_forms
from support.controller_sessions import ControllerCell
from support.push_camera_cell import record_pushed_cell

# A listener that ends lines with CR and prints flags, and a reader of bracketed floats that connects.
MODELS = [("arm", "melfa_basic", Connection.LISTENER), ("fixed", "rotation_vector_script", Connection.CLIENT)]


@long_forms.first("model", MODELS)
def test_a_controller_gets_the_result_of_a_plain_client_that_sends_the_same_numbers(model, tmp_path_factory):
    mount, name, connection = model
    cell = record_pushed_cell(tmp_path_factory.mktemp("cell"), waypoints=9, seed=4, mount=mount)
    row = CONTROLLERS[name]
    with ControllerCell(cell, tmp_path_factory.mktemp("station"), row, connection) as sessions:
        modelled, plain = sessions.modelled(), sessions.plain()
    assert (modelled.outcome.stop_code, modelled.outcome.message) == (None, "done")
    assert modelled.outcome.kept == plain.outcome.kept >= 6
    assert modelled.transform == pytest.approx(plain.transform, abs=1e-6)
    # The controller has the result in its own units, rounded by the reply and by single precision.
    assert row.pose_format.parse_pose(modelled.outcome.result) == pytest.approx(modelled.transform, abs=3e-6)
