"""The operator's requests between the daemon and its session: parsed as a robot's, each ended by its own reply."""

import asyncio

from eyebolt.config import RobotSection
from eyebolt.daemon.operator_requests import OperatorRequests
from eyebolt.protocol import Code, Reply
from eyebolt.session import messages as msg

ROBOT = RobotSection(listen="127.0.0.1:4750", length="mm", rotation="euler-ZYX", angle="deg", joint_names=("a", "b"))


def test_each_request_gets_its_own_reply():
    async def run():
        posted = []
        operator = OperatorRequests(ROBOT, 6, posted.append)
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
        operator = OperatorRequests(ROBOT, 6, posted.append)
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
        operator = OperatorRequests(ROBOT, 6, posted.append)
        waiting = asyncio.create_task(operator.submit("bye"))
        await asyncio.sleep(0)
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
        operator.answer(msg.SendReply(posted[0].caller, Reply(Code.OK, 1, 0, 0), False))

    asyncio.run(run())
