"""A check pair is compared with the accepted result, and the reply says how far off it is."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.result_format import ResultGap
from eyebolt.geometry import Mount, se3
from eyebolt.observations.board_pose import BoardPose
from eyebolt.observations.view_acceptance import ViewAcceptance
from eyebolt.protocol import Code
from eyebolt.session import messages as msg
from eyebolt.session.accepted_check import compare_with_accepted
from eyebolt.session.facts import ReplyFact
from eyebolt.session.messages import AcceptedResult
from eyebolt.session.state import State
from support.session_world import World, check, config

CORNERS = np.array([[x, y, 0.0] for y in (0, 0.1, 0.2) for x in (0, 0.1, 0.2, 0.3)])
KEPT = ViewAcceptance.from_code(Code.OK)


def rigid(seed):
    rng = np.random.default_rng(seed)
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = Rotation.random(rng=rng).as_matrix(), rng.normal(size=3)
    return out


def accepted(**changes):
    numberings = np.stack([CORNERS, CORNERS[::-1]])
    return replace(AcceptedResult("session-1", "R. Ode", rigid(1), rigid(2), None, True, numberings), **changes)


def compared(mount=Mount.FIXED, shift_mm=0.0, turned=False, **changes):
    """The acceptance of a check whose board has moved by ``shift_mm``, along the board's x."""
    result, flange = accepted(**changes), rigid(3)
    moved = np.eye(4)
    moved[0, 3] = shift_mm / 1e3
    if turned:
        moved[:3, :3] = np.diag([-1.0, -1.0, 1.0])
        moved[:3, 3] += [0.3, 0.2, 0.0]
    view = se3.inverse(rigid(1)) @ mount.chain(flange) @ rigid(2) @ moved
    state = replace(State(config(mount=mount)), accepted=result)
    return compare_with_accepted(state, flange, BoardPose(view, np.eye(6), CORNERS), KEPT)


@pytest.mark.parametrize("mount", Mount)
@pytest.mark.parametrize(("shift_mm", "is_far"), [(0.0, False), (0.4, False), (0.6, True), (10.0, True)])
def test_the_distance_is_measured_against_the_tolerance(mount, shift_mm, is_far):
    found = compared(mount, shift_mm)
    assert found.code is Code.OK
    assert found.measure.value == pytest.approx(shift_mm, abs=1e-6)
    assert (found.measure.limit, found.measure.unit) == (0.5, "mm")
    assert f"{shift_mm:.2f} mm" in found.message
    assert ("moved" in found.message) == is_far


def test_a_board_that_looks_the_same_after_half_a_turn_is_compared_both_ways():
    assert compared(turned=True).measure.value == pytest.approx(0.0, abs=1e-6)
    assert compared(turned=True, board_corners_m=CORNERS[None]).measure.value > 100


@pytest.mark.parametrize(
    "changes", [{"gap": ResultGap("another mount", "calibrate")}, {"transform": None}, {"board_transform": None}]
)
def test_what_cannot_be_compared_is_kept_as_before(changes):
    assert compared(shift_mm=10.0, **changes) == KEPT


def test_only_the_message_and_the_measure_of_the_reply_change():
    world = World()
    robot = world.connect()
    # The board is where the flange is, 0.3 mm to the side (``EXPECTATION``).
    world.departs_sigma = 3.0
    assert world.say(robot, check(1, 1)) == "0,1,0,8"
    before = world.facts_of(ReplyFact)[-1]
    assert before.measure is None
    twin = accepted(transform=np.eye(4), board_transform=np.eye(4))
    world.happens(msg.AcceptedResultChanged(twin))
    assert world.say(robot, check(2, 2)) == "0,2,0,8"
    after = world.facts_of(ReplyFact)[-1]
    assert after.measure.value == pytest.approx(0.3)
    assert (after.code, after.count, after.aux) == (before.code, before.count, before.aux)
