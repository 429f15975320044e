"""Limits of the robot's port: silent, slow, flooding and too many peers. Small limits, real sockets, no session."""

import asyncio
import errno
import gc
import socket
import struct
from contextlib import asynccontextmanager

import pytest
from structlog.testing import capture_logs

from eyebolt.config.schema import RobotSection
from eyebolt.daemon.connection_limits import ConnectionLimits, RateLimit
from eyebolt.daemon.robot_server import RobotServer
from eyebolt.logs import LogThrottle
from eyebolt.protocol.framing import MAX_LINE_BYTES
from eyebolt.protocol.replies import Reply
from eyebolt.protocol.requests import LineFault
from support.daemon_process import Robot, free_ports
from support.processes import Patience

FAST = RateLimit(lines_per_s=1e6, bytes_per_s=1e9)


class Station:
    """A port on which every request is answered 0 at once; the last connection that sent hello holds the station."""

    def __init__(self, limits, **robot):
        (port,) = free_ports(1)
        chosen = {"listen": f"127.0.0.1:{port}", **robot}
        self.port, self.holder, self.heard = port, None, []
        self.door = RobotServer(
            RobotSection(**chosen), 7, self.on_line, self.on_disconnect, lambda: self.holder, limits
        )

    def on_line(self, caller, parsed):
        self.heard.append(parsed)
        if isinstance(parsed, LineFault):
            self.door.answer(caller, Reply(parsed.code, parsed.seq, 0, 0), parsed.bracketed)
            return
        if parsed.verb == "hello":
            self.holder = caller.connection
        if parsed.verb != "pose":
            self.door.answer(caller, Reply(0, parsed.seq or 0, 0, 0), parsed.bracketed)

    def on_disconnect(self, number):
        self.holder = None if self.holder == number else self.holder


class Peer:
    """The other end of a connection."""

    def __init__(self, reader, writer):
        self.reader, self.writer = reader, writer

    async def say(self, line):
        self.writer.write(line.encode("ascii") + b"\n")
        return await self.hears()

    async def hears(self):
        """The next line; empty once the connection is closed."""
        reading, patience = asyncio.ensure_future(self.reader.readline()), Patience()
        while not (await asyncio.wait([reading], timeout=0.2))[0]:
            assert not patience.is_over(), "nothing was sent"
        try:
            return (await reading).decode("ascii").strip()
        except ConnectionError:
            return ""


@asynccontextmanager
async def opened(limits, **robot):
    station, peers = Station(limits, **robot), []

    async def connect():
        peers.append(Peer(*await asyncio.open_connection("127.0.0.1", station.port)))
        return peers[-1]

    await station.door.start()
    try:
        yield station, connect
    finally:
        await station.door.close()
        for peer in peers:
            peer.writer.close()


@pytest.fixture
def logged():
    with capture_logs() as entries:
        yield lambda words: [e for e in entries if words in e["event"]]


def test_at_the_connection_limit_the_longest_idle_is_evicted(logged):
    async def story():
        async with opened(ConnectionLimits(max_connections=4)) as (_, connect):
            robot = await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            talker, first, second = await connect(), await connect(), await connect()
            assert await talker.say("status 1") == "0,1,0,0"
            # Full: the silent ones go before the one that said something, the oldest first.
            third = await connect()
            assert (await first.hears(), await first.hears()) == ("45,0,0,0", "")
            fourth = await connect()
            assert (await second.hears(), await second.hears()) == ("45,0,0,0", "")
            for peer in (third, fourth):
                assert await peer.say("status 2") == "0,2,0,0"
            # All have spoken: the one whose last word is oldest goes, but never the robot.
            await connect()
            assert (await talker.hears(), await talker.hears()) == ("45,0,0,0", "")
            assert await robot.say("status 3") == "0,3,0,0"

    asyncio.run(story())
    assert len(logged("connection limit reached")) == 3
    assert all(entry["remedy"] and entry["code"] == 45 for entry in logged("connection limit reached"))


def test_a_thousand_silent_connections_do_not_lock_the_robot_out(logged):
    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            early = await connect()
            assert await early.say("hello 0") == "0,0,0,0"
            for _ in range(1000):
                await connect()
            assert await early.say("status 1") == "0,1,0,0"
            late = await connect()
            assert await late.say("hello 2") == "0,2,0,0"
            assert len(station.door._open) == ConnectionLimits().max_connections

    asyncio.run(story())
    # The log does not grow with them: as many lines as are told in a span, a few spans at most.
    assert len(logged("")) < 500


def test_a_connection_without_a_valid_line_is_closed_and_others_are_not(logged):
    async def story():
        async with opened(ConnectionLimits(first_line_timeout_s=1.0)) as (_, connect):
            robot, silent, slow, poser, lost = [await connect() for _ in range(5)]
            assert await robot.say("hello 0") == "0,0,0,0"
            slow.writer.write(b"capt")
            poser.writer.write(b"pose 1 2 3 1 0 0 0\n")
            assert (await lost.say("what is this"))[:2] == "40"
            for peer in (silent, slow, lost):
                assert (await peer.hears(), await peer.hears()) == ("45,0,0,0", "")
            # The robot has stood still ever since; a live pose is a word, too.
            assert await robot.say("status 1") == "0,1,0,0"
            assert await poser.say("status 1") == "0,1,0,0"

    asyncio.run(story())
    assert len(logged("no valid line in time")) == 3
    assert all("hello" in entry["remedy"] for entry in logged("no valid line in time"))


def test_a_dialled_controller_may_be_silent(logged):
    async def story():
        came = asyncio.get_running_loop().create_future()
        (port,) = free_ports(1)
        controller = await asyncio.start_server(lambda *pair: came.set_result(Peer(*pair)), "127.0.0.1", port)
        async with opened(ConnectionLimits(first_line_timeout_s=0.05), listen=None, dial=f"127.0.0.1:{port}"):
            robot = await came
            await asyncio.sleep(0.3)
            assert await robot.say("hello 0") == "0,0,0,0"
            robot.writer.close()
        controller.close()

    asyncio.run(story())
    assert not logged("no valid line in time")


FOREIGN = "connection closed: not the robot protocol"
NO_ENDING = "no line ending received"


@pytest.mark.parametrize(
    ("opening", "protocol"),
    [
        (b"POST / HTTP/1.1\r\nHost: cell\r\nContent-Type: text/plain\r\n\r\n", "HTTP"),
        (b"POST /" + b"x" * 300 + b" HTTP/1.1\r\n\r\n", "HTTP"),
        (b"\x16\x03\x01\n\x00\x01\x00\x01\xfc\x03\x03" + b"\xee" * 256, "TLS"),
        (b"SSH-2.0-client\r\n", "SSH"),
    ],
)
@pytest.mark.parametrize("chunk", [1, 10_000])
def test_nothing_behind_a_foreign_opening_is_served(logged, opening, protocol, chunk):
    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            peer = await connect()
            data = opening + b"\nhello 0\nundo 1\nbegin 2\n"
            for start in range(0, len(data), chunk):
                peer.writer.write(data[start : start + chunk])
                await asyncio.sleep(0)
            assert await peer.hears() == ""
            robot = await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            assert [request.verb for request in station.heard] == ["hello"]

    asyncio.run(story())
    (entry,) = logged(FOREIGN)
    assert entry["protocol"] == protocol and entry["remedy"] and entry["peer"] == "127.0.0.1"


def test_a_foreign_line_before_the_first_valid_one_ends_the_connection(logged):
    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            peer = await connect()
            peer.writer.write(b"helo\nGET / HTTP/1.1\nhello 0\n")
            assert (await peer.hears(), await peer.hears())[1] == ""
            assert all(isinstance(line, LineFault) for line in station.heard)
            # After a valid line nothing is foreign.
            robot = await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            assert (await robot.say("GET / HTTP/1.1"))[:2] == "40"
            assert await robot.say("status 1") == "0,1,0,0"

    asyncio.run(story())
    assert len(logged(FOREIGN)) == 1


def test_several_unknown_verbs_before_the_first_valid_line_end_the_connection(logged):
    async def story():
        async with opened(ConnectionLimits(max_unknown_verbs=3)) as (station, connect):
            peer = await connect()
            # At once, so that what follows is there already when the third is found out.
            peer.writer.write(b"one\ntwo\nthree\nhello 0\nundo 1\n")
            assert [(await peer.hears())[:2] for _ in range(4)] == ["40", "40", "40", ""]
            robot = await connect()
            assert (await robot.say("one"))[:2] == "40"
            assert (await robot.say("capture 1 2"))[:2] == "41"
            assert (await robot.say("two"))[:2] == "40"
            assert await robot.say("hello 0") == "0,0,0,0"
            for _ in range(5):
                assert (await robot.say("three"))[:2] == "40"
            assert [request.verb for request in station.heard if not isinstance(request, LineFault)] == ["hello"]

    asyncio.run(story())
    (entry,) = logged("no line of the robot protocol")
    assert entry["code"] == 40 and entry["lines"] == 3 and entry["remedy"]


def test_a_missing_line_ending_is_logged_and_shown(logged):
    async def story():
        async with opened(ConnectionLimits(line_timeout_s=0.05)) as (station, connect):
            robot = await connect()
            robot.writer.write(b"hello 0")
            patience = Patience()
            while not (notice := station.door.notice(station.holder)):
                assert not patience.is_over(), "nothing is said about the missing ending"
                await asyncio.sleep(0.01)
            assert "7 bytes" in notice and "LF" in notice
            # Nothing was sent, and the line is served once it ends.
            assert await robot.say("") == "0,0,0,0"
            assert station.door.notice(station.holder) == ""
            # Blanks behind a line are no line.
            robot.writer.write(b"status 1\n   ")
            assert await robot.hears() == "0,1,0,0"
            await asyncio.sleep(0.2)
            assert station.door.notice(station.holder) == ""
            # Another peer's is not shown while the robot is connected.
            other = await connect()
            other.writer.write(b"x")
            while len(logged(NO_ENDING)) < 2:
                assert not patience.is_over(), "the other one is not logged"
                await asyncio.sleep(0.01)
            assert station.door.notice(station.holder) == ""

    asyncio.run(story())
    first, second = logged(NO_ENDING)
    assert first["received_bytes"] == 7 and first["remedy"] and second["received_bytes"] == 1


def test_both_accepted_and_dialled_connections_detect_a_dead_peer():
    """Read back from the sockets; whether the system then ends them needs a second computer or a network namespace."""
    options = {"TCP_KEEPIDLE": 5, "TCP_KEEPINTVL": 2, "TCP_KEEPCNT": 3, "TCP_USER_TIMEOUT": 10_000}

    def check(station):
        (connection,) = station.door._open.values()
        found = connection.writer.get_extra_info("socket")
        assert found.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        for name, value in options.items():
            assert found.getsockopt(socket.IPPROTO_TCP, getattr(socket, name)) == value, name
        # Idle and unacknowledged alike: noticed within 15 s.
        assert options["TCP_KEEPIDLE"] + options["TCP_KEEPINTVL"] * options["TCP_KEEPCNT"] < 15

    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            assert await (await connect()).say("hello 0") == "0,0,0,0"
            check(station)
        came = asyncio.get_running_loop().create_future()
        (port,) = free_ports(1)
        controller = await asyncio.start_server(lambda *pair: came.set_result(Peer(*pair)), "127.0.0.1", port)
        async with opened(ConnectionLimits(), listen=None, dial=f"127.0.0.1:{port}") as (station, _):
            robot = await came
            assert await robot.say("hello 0") == "0,0,0,0"
            check(station)
            robot.writer.close()
        controller.close()

    asyncio.run(story())


def test_a_connection_that_times_out_is_logged_and_the_station_is_free(logged):
    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            robot = await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            (connection,) = station.door._open.values()
            # As the system reports a peer that acknowledges nothing any more.
            connection.writer.transport._fatal_error(TimeoutError(errno.ETIMEDOUT, "timed out"))
            assert await robot.hears() == ""
            patience = Patience()
            while station.holder is not None:
                assert not patience.is_over(), "the station is not free"
                await asyncio.sleep(0.01)

    asyncio.run(story())
    (entry,) = logged("no longer answers")
    assert entry["remedy"] and entry["peer"] == "127.0.0.1"


def test_a_group_behind_the_pose_is_logged_once_per_connection(logged):
    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            for robot in (await connect(), await connect()):
                assert await robot.say("hello 0") == "0,0,0,0"
                robot.writer.write(b"pose (1,2,3,1,0,0,0)(7,0)\n" * 3)
                for seq in (1, 2):
                    assert await robot.say(f"capture {seq} (1,2,3,1,0,0,0)(7,0)") == f"0,{seq},0,0"
            assert [parsed.verb for parsed in station.heard].count("pose") == 6

    asyncio.run(story())
    assert [entry["connection"] for entry in logged("group behind the pose ignored")] == [1, 2]


def test_a_wrong_number_of_joint_angles_is_41_where_the_station_names_its_joints():
    async def story():
        async with opened(ConnectionLimits(), joint_names=("J1", "J2", "J3")) as (_, connect):
            robot = await connect()
            assert await robot.say("capture 1 1 2 3 1 0 0 0 j 10 20 30") == "0,1,0,0"
            assert await robot.say("capture 2 1 2 3 1 0 0 0 j 10 20") == "41,2,0,0"
            assert await robot.say("capture 2 1 2 3 1 0 0 0") == "0,2,0,0"

    asyncio.run(story())


def test_a_flooding_peer_is_throttled_and_the_robot_is_not(logged):
    """Two seconds' worth is read at once; the rest waits in the peer's own socket."""

    async def story():
        limits = ConnectionLimits(max_queued_lines=10_000, others=RateLimit(1.0, 1e9), holder=FAST)
        async with opened(limits) as (station, connect):
            robot, greedy = await connect(), await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            # Without a valid line it would be disconnected after a few.
            greedy.writer.write(b"status 1\n" + b"x\n" * 100_000)
            for number in range(1, 500):
                assert await robot.say(f"status {number}") == f"0,{number},0,0"
            # What one reading of the socket brings, and no more: the pace is one line a second.
            assert sum(isinstance(line, LineFault) for line in station.heard) <= 4096 // 2

    asyncio.run(story())
    assert len(logged("connection throttled")) == 1
    assert len(logged("malformed line")) == 20


def test_live_poses_of_the_robot_at_500_a_second_are_not_throttled(logged):
    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            robot = await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            for number in range(50):
                robot.writer.write(b"pose 512.123 -33.456 801.789 0.70711 0.00012 0.70711 0.00034\n" * 5)
                await asyncio.sleep(0.01)
                assert await robot.say(f"status {number}") == f"0,{number},0,0"
            assert len(station.heard) == 1 + 50 * 6

    asyncio.run(story())
    assert not logged("connection throttled")


def test_live_poses_before_the_first_request_of_a_lone_robot_are_not_throttled(logged):
    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            robot = await connect()
            for _ in range(50):
                robot.writer.write(b"pose 512.123 -33.456 801.789 0.70711 0.00012 0.70711 0.00034\n" * 5)
                await asyncio.sleep(0.01)
            assert await robot.say("capture 1 1 2 3 1 0 0 0") == "0,1,0,0"
            assert len(station.heard) == 251

    asyncio.run(story())
    assert not logged("connection throttled")


def test_while_the_station_is_free_flooding_peers_share_one_rate(logged):
    async def story():
        async with opened(ConnectionLimits(max_queued_lines=10_000, unclaimed=RateLimit(4.0, 1e9))) as (
            station,
            connect,
        ):
            crowd = [await connect() for _ in range(4)]
            for peer in crowd:
                peer.writer.write(b"status 1\n" + b"x\n" * 20_000)
            robot = await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            assert sum(isinstance(line, LineFault) for line in station.heard) <= 4 * 4096 // 2

    asyncio.run(story())
    assert all(entry["lines_per_s"] == 1 for entry in logged("connection throttled"))
    assert len(logged("connection throttled")) == 4


def test_an_endless_line_takes_no_memory_and_is_44_when_it_ends():
    async def story():
        async with opened(ConnectionLimits(unclaimed=FAST)) as (station, connect):
            endless = await connect()
            for _ in range(10):
                endless.writer.write(b"1 " * 20_000)
                await endless.writer.drain()
            (held,) = [c.splitter.buffered_bytes for c in station.door._open.values()]
            assert held <= MAX_LINE_BYTES
            assert (await endless.say(" 7"))[:2] == "44"

    asyncio.run(story())


def test_a_peer_that_reads_nothing_can_be_evicted(logged):
    """Unread replies would otherwise keep its socket open for ever."""

    async def story():
        limits = ConnectionLimits(max_connections=2, max_queued_lines=10**6, others=FAST, holder=FAST)
        async with opened(limits) as (station, connect):
            robot = await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            loop = asyncio.get_running_loop()
            with socket.socket() as deaf:
                deaf.setblocking(False)
                deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                await loop.sock_connect(deaf, ("127.0.0.1", station.port))
                while len(station.door._open) < 2:
                    await asyncio.sleep(0.01)
                (theirs,) = [c for c in station.door._open.values() if c.number != station.holder]
                theirs.writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
                sending = asyncio.ensure_future(loop.sock_sendall(deaf, b"status 1\n" * 100_000))
                while not theirs.writer.transport.get_write_buffer_size():
                    await asyncio.sleep(0.01)
                # Nothing more is read of who does not read.
                assert theirs.writer.transport.get_write_buffer_size() < 100_000
                newcomer = await connect()
                assert await newcomer.say("status 1") == "0,1,0,0"
                theirs_socket = theirs.writer.get_extra_info("socket")
                patience = Patience(5.0)
                while theirs_socket.fileno() >= 0:
                    assert not patience.is_over(), "its socket is still open"
                    await asyncio.sleep(0.01)
                assert await robot.say("status 2") == "0,2,0,0"
                sending.cancel()
                await asyncio.gather(sending, return_exceptions=True)

    asyncio.run(story())
    assert len(logged("connection limit reached")) == 1


def test_repeated_log_entries_are_throttled_and_counted():
    throttle = LogThrottle(max_entries=2, window_s=10.0)
    assert [throttle.admit("a", at_s) for at_s in (0.0, 1.0, 2.0, 3.0)] == [{}, {}, None, None]
    assert throttle.admit("b", 3.0) == {}
    assert throttle.admit("a", 10.0) == {"suppressed": 2}
    assert throttle.admit("a", 20.0) == {}
    # A thousand strangers are not remembered for ever.
    for number in range(1000):
        throttle.admit(number, 20.0)
    assert throttle.admit("a", 20.5) == {}


def test_a_daemon_serves_its_robot_among_silent_and_flooding_peers(recorded_cell, start_daemon, tmp_path):
    daemon = start_daemon(recorded_cell.station(tmp_path))
    crowd = [Robot(daemon.port) for _ in range(40)]
    for number, peer in enumerate(crowd[10:]):
        peer.send((b"captu", b"\xff\xfe\n" * 50, b"status 1\n" * 30)[number % 3])
    with Robot(daemon.port) as robot:
        assert robot.say("hello 0").startswith("0,0,")
        assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)
        assert robot.say("status 2").startswith("0,2,1,")
    for peer in crowd:
        peer.close()
    assert daemon.terminate() == 0
    assert "Traceback" not in daemon.text()


def test_an_address_that_was_turned_away_is_shown_until_the_robot_speaks():
    async def story():
        async with opened(ConnectionLimits()) as (station, connect):
            stranger = Peer(*await asyncio.open_connection("127.0.0.1", station.port, local_addr=("127.0.0.2", 0)))
            assert await stranger.hears() == "46,0,0,0"
            assert "127.0.0.2" in station.door.notice(None)
            assert station.door.notice(1) == ""
            stranger.writer.close()
            robot = await connect()
            assert await robot.say("hello 0") == "0,0,0,0"
            assert station.door.notice(None) == ""

    asyncio.run(story())


@pytest.mark.parametrize("allow", [("127.0.0.1",), ("10.0.0.1",)], ids=["admitted", "turned away"])
def test_a_peer_that_resets_its_connection_leaves_no_unretrieved_exception(monkeypatch, allow):
    """Asyncio logs an exception that nobody retrieved with a traceback, whenever the garbage collector finds it."""
    # It retrieves the exception of a connection, but too late if the collector finds the exception's future first.
    monkeypatch.delattr(asyncio.StreamReaderProtocol, "__del__")
    unretrieved = []

    async def story():
        asyncio.get_running_loop().set_exception_handler(lambda _, context: unretrieved.append(context))
        async with opened(ConnectionLimits(), allow=allow) as (station, _):
            for pause_s in [0.0, 0.02] * 10:
                peer = socket.create_connection(("127.0.0.1", station.port))
                peer.send(b"hello 0\nstatus 1\n" * 3)
                await asyncio.sleep(pause_s)
                peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                peer.close()
                await asyncio.sleep(0.02)
        gc.collect()
        await asyncio.sleep(0)

    asyncio.run(story())
    assert not unretrieved
