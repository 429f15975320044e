"""Which captures wait for a solve with their own pair."""

import pytest

from eyebolt.session.session_log import SessionLog
from eyebolt.session.solve_report import capture_needs_solve, is_consistent
from support.session_world import World, capture, config


@pytest.mark.parametrize(
    ("p_value", "consistent"),
    [(None, False), (0.0, False), (0.0199, False), (0.02, True), (0.0201, True), (1.0, True)],
)
def test_one_inlier_in_fifty_is_taken_for_a_possible_outlier(p_value, consistent):
    assert is_consistent(p_value) is consistent


@pytest.mark.parametrize(
    ("kept", "wanted", "p_value", "waits"),
    [
        # Nothing can be solved before the third pair.
        (0, 20, None, False),
        (1, 1, None, False),
        (2, 20, 0.5, False),
        # It may be the last one.
        (2, 1, 0.5, True),
        (2, 0, 0.5, True),
        # The fourth and the fifth are diagnosed.
        (3, 20, 0.5, True),
        (4, 20, 0.5, True),
        (5, 20, 0.5, False),
        (5, 20, 0.01, True),
        (5, 20, None, True),
        (5, 2, 0.5, False),
    ],
)
def test_a_capture_waits_where_its_reply_depends_on_the_solve(kept, wanted, p_value, waits):
    world = World(config())
    world.wanted, world.departs_sigma = 20, 0.5
    robot = world.connect()
    for seq in range(1, kept + 1):
        world.say(robot, capture(seq))
    log = world.state.log or SessionLog(name="")
    assert len(log.dataset.pairs) == kept
    assert capture_needs_solve(log, wanted, p_value) is waits
