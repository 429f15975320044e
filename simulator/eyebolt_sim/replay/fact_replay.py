"""Replays the recorded facts through ``session.step``: no daemon, socket or clock; only the solves are repeated."""

from __future__ import annotations

from eyebolt.boards import NoDetection
from eyebolt.observations import fit_board_pose
from eyebolt.protocol import Code, LineFault, parse
from eyebolt.results import ResultDocument, build_result
from eyebolt.session import Fact, State, execute_all, step
from eyebolt.session import messages as msg
from eyebolt_sim.replay.recording import RecordedLine, RecordedReply, RecordedSession

_NS = 1_000_000_000


class InProcessReplay:
    """Replays the requests of a session in order; it is the executor of the session's commands.

    ``defer_solves``: a solve that no reply waits for ends only after the next line. ``answers``: the replies in order;
    ``facts``: what would have been recorded.
    """

    def __init__(self, session: RecordedSession, defer_solves: bool = False) -> None:
        self.answers: list[RecordedReply] = []
        self.facts: list[Fact] = []
        self._last_write: msg.WriteResult | None = None
        self._session = session
        self._context = session.context
        self._defer_solves = defer_solves
        self._state = State(session.context.session_config)
        self._solves: list[msg.Solve] = []
        self._line = session.lines[0]

    def run(self) -> list[RecordedReply]:
        """Replays every line; the reply to each."""
        for line in self._session.lines:
            self._line = line
            self._submit(line)
            while len(self.answers) < line.number or (self._solves and not self._defer_solves):
                if not self._solves:
                    raise RuntimeError(f"the session never replies to {line.text!r}")
                self._solve_now(self._solves.pop(0))
        while self._solves:
            self._solve_now(self._solves.pop(0))
        return self.answers

    @property
    def result(self) -> ResultDocument | None:
        """The last result that would have been written; None without one."""
        last = self._last_write
        if last is None:
            return None
        return build_result(
            self._context, self._session.name, last.dataset, last.outcome, last.acceptance, last.coverage
        )

    def _submit(self, line: RecordedLine) -> None:
        caller = msg.Caller(1, line.number)
        station = self._context.station
        request = parse(line.text.encode("ascii"), station.pose_format.field_count, station.robot.joint_count)
        if isinstance(request, LineFault):
            self._apply(msg.LineRejected(caller, request))
        else:
            self._apply(msg.RequestReceived(caller, request, _NS * line.number, line.timestamp))

    def _apply(self, event: msg.Event) -> None:
        self._state, commands = step(self._state, event)
        execute_all(commands, self)

    # The executor of the session's commands.

    def send_reply(self, command: msg.SendReply) -> None:
        """Notes the reply."""
        self.answers.append(RecordedReply(command.reply.code, command.reply.count, command.reply.aux))

    def close_connection(self, command: msg.CloseConnection) -> None:
        """There is one connection."""

    def open_session(self, command: msg.OpenSession) -> None:
        """The session has its recorded name."""
        self._apply(msg.SessionOpened(command.task, command.first_fact(self._session.name)))

    def grab(self, command: msg.Grab) -> None:
        """An image, or a camera fault, as recorded."""
        self._apply(self._grabbed(command))

    def store_image(self, command: msg.StoreImage) -> None:
        """The image is on disk already."""
        self._apply(msg.ImageStored(command.task, ""))

    def detect(self, command: msg.Detect) -> None:
        """The detection as recorded."""
        self._apply(self._detected(command))

    def solve(self, command: msg.Solve) -> None:
        """Solved when it is waited for, or later."""
        self._solves.append(command)

    def plan_next_view(self, command: msg.PlanNextView) -> None:
        """No decision rests on the next view."""

    def write_result(self, command: msg.WriteResult) -> None:
        """Notes the result."""
        self._last_write = command
        self._apply(msg.ResultWritten(command.task))

    def record_facts(self, command: msg.RecordFacts) -> None:
        """Notes the facts."""
        self.facts += command.facts
        self._apply(msg.FactsRecorded(command.task))

    def read_accepted_result(self, command: msg.ReadAcceptedResult) -> None:
        """``result`` is not recorded, so it is not replayed."""

    def start_timer(self, command: msg.StartTimer) -> None:
        """Nothing takes time."""

    def publish_status(self, command: msg.PublishStatus) -> None:
        """Nobody watches."""

    def _grabbed(self, command: msg.Grab) -> msg.Event:
        at_ns = command.not_before_ns
        if self._line.image is None:
            codes = {Code.CAMERA_LOST: "camera-lost", Code.BOARD_OR_LENS_MISMATCH: "image-size"}
            code = codes.get(self._line.reply.code, "no-fresh-frame")
            return msg.GrabFailed(command.task, code, "no image, as recorded")
        return msg.Grabbed(command.task, at_ns, at_ns, "replay", "")

    def _detected(self, command: msg.Detect) -> msg.Event:
        fact = self._line.detection
        if fact is None:
            return msg.WorkerFailed(command.task, "board detection failed, as recorded")
        detection, view = fact.detection.to_detection(), fact.view
        if view is None or isinstance(detection, NoDetection):
            return msg.Detected(command.task, detection, view)
        # The pose is not recorded: the corners determine it.
        fitted = fit_board_pose(
            self._context.lens, detection.ids, detection.corners_px, self._context.board.corners_m()
        )
        return msg.Detected(command.task, detection, view, None if fitted is None else fitted[0])

    def _solve_now(self, command: msg.Solve) -> None:
        solved = self._context.solve(command.dataset)
        self._apply(msg.Solved(command.task, solved.outcome, coverage=solved.coverage))
