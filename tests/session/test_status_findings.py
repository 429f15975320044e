"""Findings and counts of the last solve reach the status; counter, restart and replay agree on them."""

from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.protocol import LinkStatus
from eyebolt.session.facts import SolveFact
from eyebolt.session.session_log import fold
from eyebolt.session.state import State
from eyebolt.session.status import status_message
from support.session_world import World, capture, config

SLIPPED = Finding(FindingCode.BOARD_MOVED, Severity.WARN, "the board moved", {"pair": 5.0}, "fasten it.")


def published(state):
    alive = LinkStatus(is_connected=True)
    return status_message(state, alive, alive, session_folder=None, timestamp="")


def test_a_slipped_board_is_in_the_status_the_reply_and_the_record():
    world = World()
    robot = world.connect()
    world.goal_met, world.excluded, world.findings = True, (5, 6, 7), (SLIPPED,)
    for seq in range(1, 12):
        world.say(robot, capture(seq))
    assert world.say(robot, "solve 12").startswith("0,12,")
    status = published(world.state)
    assert (status.result.used, status.result.excluded) == (8, 3)
    assert [(f.code, f.severity) for f in status.findings] == [("board-moved", "warn")]
    assert "3 of 11" in status.reservation
    assert status.reservation in status.last_reply.message
    assert world.facts_of(SolveFact)[-1].findings == status.findings
    again = published(State(config(), log=fold(world.facts)))
    assert (again.findings, again.result) == (status.findings, status.result)


def test_without_findings_nothing_is_reserved():
    world = World()
    robot = world.connect()
    world.goal_met = True
    for seq in range(1, 9):
        world.say(robot, capture(seq))
    status = published(world.state)
    assert status.findings == ()
    assert (status.result.used, status.result.excluded) == (8, 0)
    assert status.reservation == ""
