"""The programs of the C option: compiled with a stand-in for its header, and run as processes against real sockets."""

import contextlib
import re
import socket
import threading

import pytest

from eyebolt.geometry import PoseFormat
from eyebolt.protocol import LateLineFeed, LineSplitter, encode
from support.processes import run as run_process
from support.robot_languages.c_option import SCRIPTS, compiled, has_compiler
from support.robot_languages.cell import RESULT, Daemon, Plan

FORMAT = PoseFormat("um", "euler-xyz", "1e-4deg")
POSES = ["-9999999 -9999999 -9999999 -1799999 -1799999 -1799999", "1 -2 3 -4 5 -6", "0 0 0 0 0 0", "7 8 9 900000 1 2"]
DONE, NO_MORE, REFUSED, STOPPED, GIVEN_UP = range(5)

pytestmark = pytest.mark.skipif(not has_compiler, reason="no C compiler")


@pytest.fixture(scope="module")
def programs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("c_option")
    return {name: compiled(folder, name) for name in ("calibrate", "guide")}


class Server:
    """A daemon by plan on a real socket; a reply that is lost is not sent, at a number of ``closed`` it hangs up."""

    def __init__(self, plan):
        self.daemon = Daemon(FORMAT, plan)
        self.error = None
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        with contextlib.suppress(OSError):
            while True:
                connection, _ = self._listener.accept()
                with connection:
                    self._converse(connection)

    def _converse(self, connection):
        splitter = LineSplitter()
        while chunk := connection.recv(7):
            for item in splitter.feed(chunk):
                if isinstance(item, LateLineFeed):
                    continue
                number = len(self.daemon.lines)
                try:
                    reply = self.daemon.reply(item)
                except Exception as error:
                    self.error = error
                    return
                if number in self.daemon.plan.closed:
                    return
                if reply is not None and number not in self.daemon.plan.lost:
                    connection.sendall(encode(reply, self.daemon.requests[-1].bracketed, item.terminator))

    def close(self):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=1):
            self._listener.close()
        self._listener.close()
        self._thread.join(5)


class Job:
    """What a job asked of the program and got: one outcome for each request, and the variables at the end."""

    def __init__(self, program, plan, requests, **environment):
        server = Server(plan)
        try:
            done = run_process(
                [str(program)],
                stdin_text="\n".join(requests) + "\n",
                limit_s=30.0,
                env={"PORT": str(server.port), **environment},
            )
        finally:
            server.close()
        assert server.error is None, server.error
        assert done.returncode == 0
        self.daemon = server.daemon
        self.verbs = [(request.verb, request.seq) for request in self.daemon.requests if request.verb != "hello"]
        self.variables, self.outcomes = {}, []
        for line in done.stdout.splitlines():
            kind, index, value = line.split(" ", 2)
            self.variables[kind + index] = value
            if (kind, index) == ("B", "11"):
                self.outcomes.append(int(value))


def test_a_whole_session(programs):
    requests = ["1", *(f"2 {pose}" for pose in POSES), f"3 {POSES[0]}", "4", "5", "5"]
    job = Job(programs["calibrate"], Plan(others={"result": [36]}), requests)
    assert job.outcomes == [DONE, DONE, DONE, DONE, NO_MORE, NO_MORE, DONE, STOPPED, DONE]
    assert job.verbs == [
        ("begin", 901), ("capture", 902), ("capture", 903), ("capture", 904), ("capture", 905), ("check", 906),
        ("solve", 907), ("bye", 908), *(("result", seq) for seq in range(909, 914)),
    ]  # fmt: skip
    # Piece by piece, two numbers at a time, the first ones twice.
    pieces = [request.numbers for request in job.daemon.requests if request.verb == "result"][1:]
    assert pieces == [(1, 2), (3, 2), (5, 2), (1, 2)]
    assert tuple(int(job.variables[f"D{index}"]) for index in range(20, 26)) == RESULT["um"]
    assert int(job.variables["D16"]) == 999_999
    sent = [request.pose for request in job.daemon.requests if request.pose]
    assert sent == [tuple(map(float, pose.split())) for pose in [*POSES, POSES[0]]]
    assert max(map(len, job.daemon.lines)) == 65


@pytest.mark.parametrize(
    ("codes", "outcome", "verbs"),
    [
        ([0], DONE, ["capture"]), ([9], DONE, ["capture"]),
        ([10, 0], DONE, ["capture", "again"]), ([19, 11, 3], DONE, ["capture", "again", "again"]),
        ([20, 0], DONE, ["capture", "capture"]), ([29, 26], REFUSED, ["capture", "capture"]),
        ([30], STOPPED, ["capture"]), ([39], STOPPED, ["capture"]),
        ([40], GIVEN_UP, ["capture"]), ([49], GIVEN_UP, ["capture"]),
        ([10] * 99, GIVEN_UP, ["capture"] + ["again"] * 60),
    ],
)  # fmt: skip
def test_every_range_of_codes_has_its_outcome(programs, codes, outcome, verbs):
    job = Job(programs["calibrate"], Plan(captures=codes), ["1", f"2 {POSES[1]}"])
    assert job.outcomes == [DONE, outcome]
    assert [verb for verb, _ in job.verbs[1:]] == verbs
    assert int(job.variables["B12"]) == codes[: len(verbs)][-1]


@pytest.mark.parametrize("kind", ["lost", "closed"])
def test_a_lost_reply_is_asked_for_again_on_a_new_connection(programs, kind):
    job = Job(programs["calibrate"], Plan(**{kind: [3]}), ["1", f"2 {POSES[1]}", f"2 {POSES[2]}"])
    assert job.outcomes == [DONE, DONE, DONE]
    assert job.daemon.requests[4].verb == "hello"
    assert job.daemon.lines[3] == job.daemon.lines[5]
    assert job.daemon.kept == 2


def test_without_a_reply_it_gives_up_and_says_so(programs):
    job = Job(programs["calibrate"], Plan(lost=range(100)), ["1"])
    assert job.outcomes == [GIVEN_UP]
    assert job.variables["B12"] == "255"


def test_an_open_session_goes_on_unless_a_stop_ended_it_or_the_job_wants_a_new_one(programs):
    plan = {"open_session": (905, 5), "pairs": 7}
    job = Job(programs["calibrate"], Plan(**plan), ["1", f"2 {POSES[1]}"])
    assert (job.outcomes, job.variables["I10"]) == ([DONE, DONE], "5")
    assert job.verbs == [("again", 905), ("status", 905), ("capture", 906)]
    assert Job(programs["calibrate"], Plan(**{**plan, "pairs": 5}), ["1"]).outcomes == [NO_MORE]
    for job in (
        Job(programs["calibrate"], Plan(**plan, last_code=34), ["1"]),
        Job(programs["calibrate"], Plan(**plan), ["1"], BEGIN_NEW="1"),
    ):
        assert (job.verbs[-1], job.variables["I10"]) == (("begin", 906), "0")


def test_guiding_streams_poses_behind_a_hello(programs):
    job = Job(programs["guide"], Plan(), ["0", *(f"1 {pose}" for pose in POSES), "0", *(f"1 {pose}" for pose in POSES)])
    verbs = [request.verb for request in job.daemon.requests]
    assert verbs == ["hello", "pose", "pose", "pose"] * 2
    assert job.daemon.requests[1].pose == tuple(map(float, POSES[1].split()))
    refused = Job(programs["guide"], Plan(hello=[45]), [f"1 {pose}" for pose in POSES])
    assert {request.verb for request in refused.daemon.requests} == {"hello"}


@pytest.mark.parametrize(
    ("change", "requests"),
    [
        (('"%s %d %ld', '"%s %d,%ld,0'), ["1", f"2 {POSES[1]}"]),
        (('"%d,%d,%ld,%ld"', '"%d;%d;%ld;%ld"'), ["1", f"2 {POSES[1]}"]),
        (("code <= 29", "code <= 25"), ["1", f"2 {POSES[1]}"]),
        (("{1, 3, 5, 1}", "{1, 3, 4, 1}"), ["1", "5"]),
    ],
    ids=["format", "reader", "branch", "piece"],
)
def test_a_changed_program_is_found(tmp_path, change, requests):
    program = compiled(tmp_path, "calibrate", change)
    with pytest.raises(AssertionError):
        job = Job(program, Plan(captures=[29, 26]), requests)
        assert job.outcomes == [DONE, REFUSED if requests[1] != "5" else DONE]
        assert requests[1] != "5" or tuple(int(job.variables[f"D{index}"]) for index in range(20, 26)) == RESULT["um"]


@pytest.mark.parametrize("name", ["calibrate", "eye_ask"])
def test_the_labels_and_the_variables_of_a_job_fit_together(name):
    lines = (SCRIPTS / f"{name}.jbi").read_text("ascii").splitlines()
    labels = {line for line in lines if line.startswith("*")}
    jumps = set(re.findall(r"^JUMP (\*\w+)", "\n".join(lines), re.MULTILINE))
    assert jumps <= labels
    assert all(len(label) <= 9 for label in labels)
    assert (lines[0], lines[-1]) == ("/JOB", "END")
    for message in re.findall(r'MSG "(.*)"', "\n".join(lines)):
        assert len(message) <= 32
    # The variables that the program and the job share.
    program = (SCRIPTS / "calibrate.c").read_text("ascii")
    used = set(re.findall(r"\b([BI]0\d\d)\b", "\n".join(lines))) - {"B014", "B015"}
    assert used <= set(re.findall(r"\b([BI]0\d\d)\b", program.split("*/")[0]))
    patterns = (
        r"/JOB|NOP|RET|END|PAUSE|'.{0,32}|//.*|\*\w+|JUMP \*\w+( IF [BI]\d{3}(=|<>|>=)\d+)?|SET B\d{3} (\d+|B\d{3})"
        r'|CALL JOB:EYE_ASK|MOVJ P\d{3} VJ=5\.00 PL=0|IMOV P\d{3} V=100\.0 PL=0 TF|TIMER T=0\.\d0|MSG ".*"'
        r"|(GETE D\d{3} P020 \(\d\)|SETE P020 \(\d\) D\d{3})|SUB D\d{3} D\d{3}"
    )
    assert [line for line in lines if not re.fullmatch(patterns, line)] == []
