"""``eyebolt-sim listen``: passes programs that keep to the specification, and fails a wrong program for each rule."""

import asyncio
import contextlib
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from eyebolt.config import parse_station
from eyebolt.config.template import station_template
from eyebolt.errors import MachineFault
from eyebolt_sim.program_check import PARTS, Part, ProgramRule, StandIn, Times, Trouble, server
from eyebolt_sim.verdict import Outcome
from support.daemon_process import free_ports

SCRIPTS = Path(__file__).resolve().parents[2] / "robot_scripts" / "python"
QUICK = Times(
    work_s=0.02, slow_s=0.5, late_s=0.6, fragment_s=0.05, down_s=0.3, quiet_s=0.5, away_s=0.6, patience_s=0.1,
    min_poll_s=0.02,
)  # fmt: skip
# For programs that come back: a loaded machine may take its time.
PATIENT = replace(QUICK, away_s=30.0)
# Distinct, tilted about two axes; mm, w x y z.
POSES = [f"{400 + 25 * k}.125 {20 * (k % 3)}.5 300.25 {w:.6f} {x:.6f} {y:.6f} 0.000000"
         for k, (w, x, y) in enumerate([(1, 0, 0), (0.984808, 0.173648, 0), (0.984808, 0, 0.173648)] * 8)]  # fmt: skip


def station(dial=False, reply_wait_s=0.1):
    port, status = free_ports(2)
    word = "dial" if dial else "listen"
    text = station_template(
        "desk",
        connection=f'{word} = "127.0.0.1:{port}"',
        robot_lines=[f"reply_wait_s = {reply_wait_s}"],
        status=f"tcp://127.0.0.1:{status}",
    )
    return parse_station(text, "station.toml"), port


def part(*troubles):
    return Part("faults", "a part of a test", troubles)


class Program:
    """A robot program that keeps to the specification; those below are wrong in one point."""

    timeout_s = 1.0
    poll_s = 0.1
    pause_s = 0.1

    def __init__(self, port, poses=POSES):
        self.port, self.poses, self.seq, self.opened = port, poses, 0, []

    async def connect(self):
        for _ in range(100):
            with contextlib.suppress(OSError):
                self.reader, self.writer = await asyncio.open_connection("127.0.0.1", self.port)
                self.opened.append(self.writer)
                return
            await asyncio.sleep(self.pause_s)
        raise AssertionError("nobody listens")

    async def hello(self):
        return await self.send_and_receive("hello 0")

    async def leave(self):
        """What a controller's system does with the connections of a program that has ended."""
        for writer in self.opened:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def line(self):
        async with asyncio.timeout(self.timeout_s):
            data = await self.reader.readuntil(b"\n")
        return [int(float(text)) for text in data.decode().split(",")[:4]]

    def is_mine(self, reply, seq):
        return reply[1] == seq or reply[0] >= 40

    async def send(self, text):
        self.writer.write(text.encode("ascii") + b"\n")
        await self.writer.drain()

    async def send_and_receive(self, text):
        await self.send(text)
        while not self.is_mine(reply := await self.line(), int(text.split()[1])):
            pass
        return reply

    async def exchange(self, text):
        for _ in range(20):
            try:
                return await self.send_and_receive(text)
            except (OSError, EOFError):
                await self.recover()
        raise AssertionError(text)

    async def recover(self):
        self.writer.close()
        await asyncio.sleep(self.pause_s)
        await self.connect()
        with contextlib.suppress(OSError, EOFError):
            await self.hello()

    async def final(self, text):
        reply = await self.exchange(text)
        while 10 <= reply[0] < 20:
            await asyncio.sleep(self.poll_s)
            reply = await self.exchange(f"again {self.seq}")
        return reply

    async def request(self, verb, arguments=""):
        self.seq += 1
        return await self.final(f"{verb} {self.seq} {arguments}".rstrip())

    async def waypoint(self, pose):
        reply = await self.request("capture", pose)
        if 20 <= reply[0] < 30:
            reply = await self.request("capture", pose)
        return reply

    def is_success(self, code):
        return code < 10

    def ends(self, reply):
        return reply[0] >= 30

    def leaves(self, reply):
        return self.is_success(reply[0]) and reply[3] == 0

    async def run(self):
        await self.connect()
        await self.hello()
        await self.request("begin")
        for pose in self.poses:
            reply = await self.waypoint(pose)
            if self.ends(reply):
                self.writer.close()
                return
            if self.leaves(reply):
                break
        await self.request("solve")
        await self.request("bye")
        self.writer.close()


def played(program, *parts, times=QUICK, dial=False, pairs=None):
    """The verdicts on ``program``, which is started once for each part."""

    async def story():
        made, port = station(dial)
        shown = []
        stand_in = StandIn(made, parts, shown.append, pairs, times)
        running = asyncio.create_task(stand_in.run(wait_s=60))
        for number in range(len(parts)):
            while sum(line.startswith("Part ") for line in shown) <= number:
                await asyncio.sleep(0.01)
            robot = program(port)
            started = asyncio.create_task(robot.run())
            # A program that waits for a daemon that has gone would wait for ever.
            await asyncio.wait([started, running], return_when=asyncio.FIRST_COMPLETED)
            started.cancel()
            with contextlib.suppress(OSError, EOFError, ValueError, asyncio.CancelledError):
                await started
            await robot.leave()
        verdict = await running
        return stand_in.observer.rules, verdict, "\n".join([*shown, *verdict.lines()])

    return asyncio.run(story())


def test_a_program_that_keeps_to_the_specification_passes_every_rule():
    rules, verdict, shown = played(Program, *PARTS.values(), times=PATIENT)
    assert not verdict.failed, shown
    assert {rule for rule in ProgramRule if rules[rule].outcome is Outcome.NOT_TRIED} == set(), shown
    assert len(list(verdict.lines())) < 50


class NoHello(Program):
    async def hello(self):
        pass


class NewNumberAfterALostReply(Program):
    async def exchange(self, text):
        try:
            return await self.send_and_receive(text)
        except (OSError, EOFError):
            await self.recover()
            self.seq += 1
            verb, _, *rest = text.split()
            return await self.exchange(" ".join([verb, str(self.seq), *rest]))


class PollsWithoutPause(Program):
    poll_s = 0.0


class GoesOnDuringWork(Program):
    async def final(self, text):
        return await self.exchange(text)


class RepeatsARefusal(Program):
    async def waypoint(self, pose):
        reply = await self.request("capture", pose)
        return await self.final(f"capture {self.seq} {pose}") if 20 <= reply[0] < 30 else reply


class EndsOnARefusal(Program):
    async def waypoint(self, pose):
        reply = await self.request("capture", pose)
        if 20 <= reply[0] < 30:
            raise ValueError("refused")
        return reply


class EndsOnAdvice(Program):
    async def waypoint(self, pose):
        reply = await super().waypoint(pose)
        if 0 < reply[0] < 10:
            raise ValueError("not 0")
        return reply


class IgnoresAux(Program):
    def leaves(self, reply):
        return False


class IgnoresStops(Program):
    def ends(self, reply):
        return False


class TakesAnyReply(Program):
    def is_mine(self, reply, seq):
        return True


class MovesSlowly(TakesAnyReply):
    """Its arm moves for longer than a capture takes: the lines come in an order that looks right."""

    async def waypoint(self, pose):
        await asyncio.sleep(0.2)
        return await super().waypoint(pose)


class RepeatsOnTheSameConnection(MovesSlowly):
    """A late reply, and the one to the repeated line: two for one number."""

    timeout_s = 0.4

    async def recover(self):
        pass


class ReadsOnce(Program):
    async def line(self):
        async with asyncio.timeout(self.timeout_s):
            data = await self.reader.read(80)
        return [int(text) for text in (data.decode().strip() + ",0,0,0").split(",")[:4]]

    def is_mine(self, reply, seq):
        return True


class GivesUp(Program):
    async def recover(self):
        raise OSError("no more")


class TakesHalfAReply(Program):
    """Goes on with the number that it could read, on a new connection."""

    async def line(self):
        try:
            return await super().line()
        except asyncio.IncompleteReadError:
            await self.recover()
            return [0, self.seq, 0, 9]


class Impatient(Program):
    """Takes a reply that does not come in time for a success, on the same connection."""

    timeout_s = 0.3

    async def exchange(self, text):
        try:
            return await self.send_and_receive(text)
        except TimeoutError:
            return [0, self.seq, 0, 9]


class DoesNotWait(Program):
    async def waypoint(self, pose):
        self.seq += 2
        await self.send(f"capture {self.seq - 1} {pose}")
        return await self.final(f"status {self.seq}")


class LeavesBeforeTheReplyToBye(Program):
    async def request(self, verb, arguments=""):
        if verb != "bye":
            return await super().request(verb, arguments)
        await self.send(f"bye {self.seq + 1}")
        return None


class NoBye(Program):
    async def request(self, verb, arguments=""):
        return None if verb == "bye" else await super().request(verb, arguments)


class ReusesNumbers(Program):
    async def waypoint(self, pose):
        reply = await super().waypoint(pose)
        self.seq -= 1
        return reply


class NoTerminator(Program):
    async def run(self):
        await self.connect()
        await self.hello()
        self.writer.write(b"begin 1")
        await asyncio.sleep(0.5)


class SplitsLines(Program):
    """Is right: how a line is cut into packets does not matter."""

    async def send(self, text):
        for begin in range(0, len(text), 20):
            self.writer.write(text[begin : begin + 20].encode("ascii"))
            await self.writer.drain()
        self.writer.write(b"\r\n")


def with_poses(poses):
    return lambda port: Program(port, poses)


METRES = [" ".join(f"{float(text) / 1000:.6f}" for text in pose.split()[:3]) + " 1 0 0 0" for pose in POSES]
ROUNDED = [p.replace(".125 ", " ").replace(".5 ", " ").replace(".25 ", " ") for p in POSES]
WRONG = {
    "no hello": (ProgramRule.HELLO, NoHello, part(Trouble.NONE)),
    "new number": (ProgramRule.LOST, NewNumberAfterALostReply, part(Trouble.LOST)),
    "polls without pause": (ProgramRule.AGAIN, PollsWithoutPause, part(Trouble.SLOW)),
    "goes on during work": (ProgramRule.AGAIN, GoesOnDuringWork, part(Trouble.SLOW)),
    "repeats a refusal": (ProgramRule.REFUSED, RepeatsARefusal, part(Trouble.REFUSED)),
    "ends on a refusal": (ProgramRule.REFUSED, EndsOnARefusal, part(Trouble.REFUSED)),
    "ends on advice": (ProgramRule.ADVICE, EndsOnAdvice, part(Trouble.ADVICE)),
    "ignores aux": (ProgramRule.GOAL, IgnoresAux, part(Trouble.NONE)),
    "ignores stops": (ProgramRule.STOP, IgnoresStops, PARTS["stop"]),
    "ignores faults of the line": (ProgramRule.LINE_FAULT, IgnoresStops, PARTS["line-fault"]),
    "takes any reply": (ProgramRule.DOUBLED, TakesAnyReply, part(Trouble.DOUBLED)),
    "takes any reply and moves slowly": (ProgramRule.DOUBLED, MovesSlowly, part(Trouble.DOUBLED, Trouble.SLOW)),
    "two replies to one number": (
        ProgramRule.LATE, RepeatsOnTheSameConnection, part(Trouble.NONE, Trouble.LATE, Trouble.SLOW)
    ),
    "reads once": (ProgramRule.FRAGMENTED, ReadsOnce, part(Trouble.FRAGMENTED)),
    "takes half a reply": (ProgramRule.CUT, TakesHalfAReply, part(Trouble.CUT)),
    "gives up": (ProgramRule.DROPPED, GivesUp, part(Trouble.DROPPED)),
    "gives up on a restart": (ProgramRule.RESTARTED, GivesUp, part(Trouble.RESTARTED)),
    "impatient": (ProgramRule.LATE, Impatient, part(Trouble.LATE)),
    "does not wait": (ProgramRule.WAITS, DoesNotWait, part(Trouble.NONE)),
    "leaves before the reply to bye": (ProgramRule.BYE, LeavesBeforeTheReplyToBye, part(Trouble.NONE)),
    "no bye": (ProgramRule.BYE, NoBye, part(Trouble.NONE)),
    "reuses numbers": (ProgramRule.SEQ, ReusesNumbers, part(Trouble.NONE, Trouble.NONE)),
    "no terminator": (ProgramRule.WHOLE, NoTerminator, part(Trouble.NONE)),
    "decimal comma": (ProgramRule.LINE, with_poses([p.replace(".", ",") for p in POSES]), part(Trouble.NONE)),
    "no unit quaternion": (ProgramRule.LINE, with_poses([f"{p} "[:-9] + "2" for p in POSES]), part(Trouble.NONE)),
    "metres": (ProgramRule.POSE, with_poses([p.replace("300.25", "0.3") for p in METRES]), part(Trouble.NONE)),
    "one pose": (ProgramRule.POSE_MOVES, with_poses([POSES[0]] * 4), part(Trouble.NONE)),
    "no rotation": (ProgramRule.POSE_MOVES, with_poses(POSES[::3]), part(*[Trouble.NONE] * 3)),
    "rounded": (ProgramRule.POSE_DIGITS, with_poses(ROUNDED),
                part(*[Trouble.NONE] * 3)),
}  # fmt: skip


@pytest.mark.parametrize("name", list(WRONG))
def test_a_wrong_program_fails_its_rule(name, monkeypatch):
    monkeypatch.setattr(server, "_LINE_TIMEOUT_S", 0.2)
    rule, program, one_part = WRONG[name]
    rules, verdict, shown = played(program, one_part)
    assert rules[rule].outcome is Outcome.FAILED, shown
    assert verdict.failed and rules[rule].remedy in " ".join(shown.split()).replace(" - ", " ")


def test_a_dialled_program_is_checked_as_well(monkeypatch):
    """A controller that can only listen: the stand-in connects to it."""
    monkeypatch.setattr(server, "_REDIAL_S", 0.05)

    class Listening(Program):
        async def connect(self):
            if not hasattr(self, "server"):
                self.came = asyncio.Queue()
                self.server = await asyncio.start_server(
                    lambda *pair: self.came.put_nowait(pair), "127.0.0.1", self.port
                )
            self.reader, self.writer = await self.came.get()
            self.opened.append(self.writer)

        async def run(self):
            await super().run()
            self.server.close()

    troubles = (Trouble.NONE, Trouble.DROPPED, Trouble.RESTARTED)
    rules, verdict, shown = played(Listening, part(*troubles), dial=True, times=PATIENT)
    assert not verdict.failed, shown
    assert rules[ProgramRule.DROPPED].passes == rules[ProgramRule.RESTARTED].passes == 1


def test_a_line_in_pieces_is_no_fault():
    _, verdict, shown = played(SplitsLines, part(Trouble.NONE), times=PATIENT)
    assert not verdict.failed, shown


def test_the_shipped_program_passes():
    """With shorter waits of its own, as the stand-in has."""

    async def story():
        made, port = station()
        shown = []
        stand_in = StandIn(made, PARTS.values(), shown.append, None, PATIENT)
        running = asyncio.create_task(stand_in.run(wait_s=60))
        waits = "program.REPLY_TIMEOUT_S, program.RETRY_PAUSE_S, program.POLL_INTERVAL_S = 1.0, 0.1, 0.1"
        command = f"import robot_program as program, sys; {waits}; sys.exit(program.main())"
        codes = []
        for number in range(3):
            while sum(line.startswith("Part ") for line in shown) <= number:
                await asyncio.sleep(0.01)
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-c", command, f"127.0.0.1:{port}", "waypoints_example.csv", "0",
                cwd=SCRIPTS, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
            )  # fmt: skip
            codes.append(await process.wait())
        return codes, await running, "\n".join(shown)

    codes, verdict, shown = asyncio.run(story())
    assert codes == [0, 3, 1], shown
    assert not verdict.failed, "\n".join([shown, *verdict.lines()])
    assert all(rule.outcome is Outcome.PASSED for rule in verdict.rules), "\n".join(verdict.lines())


def test_an_interrupted_check_says_nothing_about_what_was_still_owed():
    async def story():
        made, port = station()
        stand_in = StandIn(made, PARTS.values(), lambda line: None, None, PATIENT)
        running = asyncio.create_task(stand_in.run(wait_s=60))
        program = Program(port)
        await program.connect()
        for text in ("hello 0", "begin 1", f"capture 2 {POSES[0]}", f"capture 3 {POSES[1]}"):
            reply = await program.exchange(text)
        assert reply[0] == 10
        stand_in.stop()
        verdict = await running
        await program.leave()
        return verdict

    verdict = asyncio.run(story())
    assert verdict.passed and not verdict.failed, "\n".join(verdict.lines())


def test_nobody_who_connects_and_a_taken_port_are_errors():
    async def story(made):
        await StandIn(made, PARTS.values(), lambda line: None, None, QUICK).run(wait_s=0.2)

    made, port = station()
    with pytest.raises(MachineFault) as nobody:
        asyncio.run(story(made))
    assert nobody.value.code == "listen-no-program"

    async def taken():
        other = await asyncio.start_server(lambda reader, writer: None, "127.0.0.1", port)
        try:
            await story(made)
        finally:
            other.close()

    with pytest.raises(MachineFault) as busy:
        asyncio.run(taken())
    assert busy.value.code == "listen-port"
