"""The operator's requests between the daemon and its session: parsed as a robot's, each ended by its own reply."""

import asyncio
import time

from eyebolt.config import RobotSection
from eyebolt.daemon.operator_requests import OperatorRequests
from eyebolt.protocol import Code, ControlOutcome, ControlRequest, Reply, Request, parse
from eyebolt.session import ImageFact, State
from eyebolt.session import messages as msg
from support.session_world import World, capture, config, pose_text

ROBOT = RobotSection(listen="127.0.0.1:4750", length="mm", rotation="euler-ZYX", angle="deg", joint_names=("a", "b"))


def test_each_request_gets_its_own_reply():
    async def run():
        posted = []
        operator = OperatorRequests(ROBOT, 6, posted.append, lambda: State(config()))
        waiting = [
            asyncio.create_task(operator.submit("undo")),
            asyncio.create_task(operator.submit("capture", "1 2 3 10 20 30 j 4 5")),
        ]
        await asyncio.sleep(0)
        assert [event.request.verb for event in posted] == ["undo", "capture"]
        assert posted[1].request.pose == (1, 2, 3, 10, 20, 30)
        assert posted[1].request.joints == (4, 5)
        assert all(event.caller.is_operator for event in posted)
        for event in reversed(posted):
            operator.answer(msg.SendReply(event.caller, Reply(Code.OK, event.caller.line_id, 0, 0), False))
        replies = await asyncio.gather(*waiting)
        assert [sent.reply.seq for sent in replies] == [event.caller.line_id for event in posted]

    asyncio.run(run())


def test_a_line_that_no_robot_could_send_is_answered_at_once():
    async def run():
        posted = []
        operator = OperatorRequests(ROBOT, 6, posted.append, lambda: State(config()))
        for verb, pose_line, code in (
            ("capture", "1 2 3", Code.WRONG_FIELD_COUNT),
            ("capture", "1 2 3 x 5 6", Code.NOT_A_NUMBER),
            ("capture", "1 2 3 4 5 6 j 1", Code.WRONG_FIELD_COUNT),
            ("pose", "1 2 3 4 5 6", Code.WRONG_FIELD_COUNT),
        ):
            assert (await operator.submit(verb, pose_line)).reply.code is code
        assert not posted

    asyncio.run(run())


def test_a_reply_that_nobody_waits_for_is_dropped():
    async def run():
        posted = []
        operator = OperatorRequests(ROBOT, 6, posted.append, lambda: State(config()))
        waiting = asyncio.create_task(operator.submit("bye"))
        await asyncio.sleep(0)
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
        operator.answer(msg.SendReply(posted[0].caller, Reply(Code.OK, 1, 0, 0), False))

    asyncio.run(run())


class Desk:
    """The operator's requests with a session behind them; the robot's lines go to the same session."""

    def __init__(self):
        self.world = World()
        robot = RobotSection(listen="127.0.0.1:4750")
        self.operator = OperatorRequests(robot, 7, self.world.happens, lambda: self.world.state)
        self.world.answer_operator = self.operator.answer
        self.robot = self.world.connect()

    def request(self, action, **fields):
        return asyncio.run(self.operator.handle(ControlRequest(id=7, action=action, **fields)))

    def stream(self, number, connection=None):
        line = parse(f"pose {pose_text(number)}".encode(), 7)
        assert isinstance(line, Request)
        self.operator.note_pose(connection or self.robot.number, line)


def test_begin_take_undo_finish():
    desk = Desk()
    opened = desk.request("begin")
    assert (opened.outcome, opened.code, opened.id, opened.session) == (ControlOutcome.DONE, 0, 7, "session-1")
    desk.stream(1)
    taken = desk.request("take")
    assert (taken.outcome, taken.code, taken.kept, taken.wanted) == (ControlOutcome.DONE, 0, 1, 7)
    assert [fact.request.line for fact in desk.world.facts_of(ImageFact)] == [f"capture 1000001 {pose_text(1)}"]
    desk.stream(2)
    assert desk.request("take").kept == 2
    # The same place again.
    refused = desk.request("take")
    assert (refused.outcome, refused.code, refused.kept) == (ControlOutcome.REFUSED, 26, 2)
    assert refused.message
    assert refused.remedy
    assert desk.request("undo", session="session-1", kept=2).kept == 1
    ended = desk.request("finish")
    assert (ended.outcome, ended.session) == (ControlOutcome.DONE, None)
    assert desk.world.state.log.is_closed


def test_a_session_with_pairs_is_not_replaced_without_a_word():
    desk = Desk()
    desk.world.say(desk.robot, "begin 1")
    # Nothing would be lost.
    assert desk.request("begin").outcome is ControlOutcome.DONE
    desk.world.say(desk.robot, capture(2))
    assert desk.request("begin").outcome is ControlOutcome.UNCONFIRMED
    assert desk.world.state.kept == 1
    assert desk.request("begin", new=True).outcome is ControlOutcome.DONE
    assert desk.world.state.kept == 0


def test_what_was_confirmed_for_another_state_is_not_carried_out():
    desk = Desk()
    desk.request("begin")
    desk.world.say(desk.robot, capture(2))
    desk.world.say(desk.robot, capture(3))
    for fields in ({"kept": 1}, {"session": "session-9"}, {"session": "session-9", "kept": 2}):
        for action in ("undo", "finish"):
            assert desk.request(action, **fields).outcome is ControlOutcome.CHANGED
    assert desk.world.state.kept == 2
    assert desk.world.state.is_open


def test_without_a_session_only_begin_is_possible():
    desk = Desk()
    desk.stream(1)
    for action in ("take", "undo", "finish"):
        assert desk.request(action).outcome is ControlOutcome.NO_SESSION
    assert not desk.world.disk


def test_a_pair_is_taken_only_with_a_fresh_pose_of_the_robot(monkeypatch):
    desk = Desk()
    desk.request("begin")
    assert desk.request("take").outcome is ControlOutcome.NO_LIVE_POSE
    desk.world.say(desk.robot, "hello 0")
    # Somebody else, while the robot holds the station.
    desk.stream(3, connection=99)
    assert desk.request("take").outcome is ControlOutcome.NO_LIVE_POSE
    desk.stream(3)
    assert desk.request("state").live_pose_age_s < 5
    begun_s = time.monotonic()
    monkeypatch.setattr("eyebolt.daemon.operator_requests.time.monotonic", lambda: begun_s + 60)
    late = desk.request("take")
    assert late.outcome is ControlOutcome.NO_LIVE_POSE
    assert late.remedy
    desk.stream(3)
    assert desk.request("take").outcome is ControlOutcome.DONE
    desk.operator.forget_pose_of(99)
    assert desk.request("state").live_pose_age_s is not None
    desk.operator.forget_pose_of(desk.robot.number)
    assert desk.request("take").outcome is ControlOutcome.NO_LIVE_POSE


def test_what_cannot_be_recorded_is_refused():
    desk = Desk()
    desk.request("begin")
    desk.stream(1)
    desk.world.disk_full = True
    refused = desk.request("take")
    assert (refused.outcome, refused.code) == (ControlOutcome.REFUSED, 31)
    assert refused.remedy
