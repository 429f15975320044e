"""Pairs that the daemon takes by itself in a session whose arm is guided by hand."""

from dataclasses import replace

import numpy as np

from eyebolt.guidance import LivePosesRecord
from eyebolt.protocol import GuidancePhase, GuidanceStatus, LinkStatus, Request, parse
from eyebolt.session import GuidedRecord, encode_fact, fold, status_message
from eyebolt.session import messages as msg
from eyebolt.session.facts import ImageFact, SessionFact, decode_facts
from support.session_world import World, config, pose_text

RECORD = GuidedRecord(
    image=7,
    predicted_px=0.02,
    image_shift_px=0.03,
    delay_ms=61.2,
    delay_half_width_ms=0.8,
    live_poses=LivePosesRecord.of(np.arange(3) / 125, np.tile(np.eye(4), (3, 1, 1)), 0.01),
)


def take(world, text, at_ns):
    """A guided pair whose image was exposed at ``at_ns``."""
    request = parse(f"capture 0 {text}".encode(), 7)
    assert isinstance(request, Request)
    caller = msg.Caller(msg.OPERATOR_CONNECTION, len(world.owed) + 500)
    world.owed.add(caller)
    world.happens(msg.RequestReceived(caller, request, at_ns, "2025-11-25T15:00:00Z", RECORD))
    return world.answers[caller][-1].reply


def guided_world(is_guided=True):
    return World(replace(config(), guided=is_guided))


def test_the_operators_begin_opens_a_guided_session_where_the_station_has_them():
    for is_guided in (True, False):
        world = guided_world(is_guided)
        world.operate("begin")
        assert world.facts_of(SessionFact)[0].is_guided is is_guided
        assert world.state.log.is_guided is is_guided
        world.restart()
        assert world.state.log.is_guided is is_guided


def test_a_robots_begin_does_not():
    world = guided_world()
    world.say(world.connect(), "begin 1")
    assert not world.state.log.is_guided


def test_a_guided_pair_is_that_of_the_followed_image_and_is_recorded_with_its_poses():
    world = guided_world()
    world.operate("begin")
    at_ns = world.now_ns - 300_000_000
    assert take(world, pose_text(1), at_ns).code == 0
    grab = next(command for command in world.done if isinstance(command, msg.Grab))
    assert grab.followed_image == 7
    assert grab.not_before_ns == at_ns + world.state.config.settle_ns
    image = world.facts_of(ImageFact)[0]
    assert image.guided == RECORD
    assert decode_facts([encode_fact(image)]) == [image]
    assert fold(world.facts).captures[0].code == 0
    # An ordinary pair of the same session takes a new image.
    world.operate(f"capture {pose_text(2)}")
    assert [c.followed_image for c in world.done if isinstance(c, msg.Grab)] == [7, None]
    assert world.facts_of(ImageFact)[1].guided is None


def test_poses_that_are_streamed_while_it_is_taken_are_no_motion():
    world = guided_world()
    robot = world.connect()
    world.operate("begin")
    world.say(robot, "hello 0")
    world.holds = (msg.Grab,)
    caller_count = len(world.answers)
    request = parse(f"capture 0 {pose_text(1)}".encode(), 7)
    world.happens(
        msg.RequestReceived(
            msg.Caller(msg.OPERATOR_CONNECTION, 900), request, world.now_ns, "2025-11-25T15:00:00Z", RECORD
        )
    )
    world.receive(robot, f"pose {pose_text(5)}\n".encode())
    assert len(world.answers) == caller_count
    world.owed.add(msg.Caller(msg.OPERATOR_CONNECTION, 900))
    world.work_done()
    assert world.answers[msg.Caller(msg.OPERATOR_CONNECTION, 900)][-1].reply.code == 0


def test_the_status_has_what_the_guidance_sees():
    world = guided_world()
    guidance = GuidanceStatus(phase=GuidancePhase.HOLD_STILL, poses_per_s=125, images_per_s=30)
    link = LinkStatus(is_connected=True)
    assert status_message(world.state, link, link, None, "", 0, guidance).guidance == guidance
    assert world.status().guidance is None
