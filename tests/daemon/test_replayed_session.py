"""What a session decided is decided again from its record: pictures seen and poses as recorded, solved anew."""

import numpy as np
import pytest
from daemon_process import Robot

from eyebolt.board.sighting import Sighting, sighting_from_json
from eyebolt.daemon.inputs import LENS_KEEPSAKE, STATION_KEEPSAKE, read_inputs
from eyebolt.journal.folder import SessionFolder
from eyebolt.journal.names import list_sessions
from eyebolt.pairs.board_pose import ViewStack, fit_board_poses, linearise_corners
from eyebolt.pairs.pair import Pair
from eyebolt.pairs.view import BoardSeen, View
from eyebolt.session import commands as do
from eyebolt.session import events as ev
from eyebolt.session.state import State
from eyebolt.session.step import step
from eyebolt.solve.run import solve
from eyebolt.wire.requests import parse


class Replay:
    """A session's requests once more, one after the other; ``late``: solves end only when the next line has come."""

    def __init__(self, folder, late):
        self.inputs = read_inputs(folder / STATION_KEEPSAKE, folder / LENS_KEEPSAKE)
        self.facts = SessionFolder.view(folder).records
        self.seen = {fact["index"]: fact for fact in self.facts if fact["fact"] == "seen"}
        self.state, self.late = State(self.inputs.terms), late
        self.solves, self.answers, self.written = [], [], []

    def run(self):
        for number, fact in enumerate(f for f in self.facts if f["fact"] == "answer"):
            request = parse(fact["text"].encode(), self.inputs.station.reading.field_count)
            self.happens(ev.Asked(ev.Caller(1, number), request, 1_000_000_000 * (number + 1), fact["wall"]))
            while len(self.answers) <= number or (self.solves and not self.late):
                self.solve(self.solves.pop(0))
        return self.answers

    def happens(self, event):
        self.state, commands = step(self.state, event)
        for command in commands:
            self.carry_out(command)

    def carry_out(self, command):
        task = getattr(command, "task", None)
        match command:
            case do.OpenSession():
                self.happens(ev.Opened(task, {**command.fact, "session": "replayed"}))
            case do.Grab():
                at_ns = command.not_before_ns
                self.happens(ev.Grabbed(task, at_ns, at_ns, "replay", ""))
            case do.StorePicture():
                self.happens(ev.Stored(task, ""))
            case do.Record():
                self.written += command.facts
                self.happens(ev.Recorded(task))
            case do.Detect():
                self.happens(self.detected(task, self.seen[int(command.name.split(".")[0])]))
            case do.WriteResult():
                self.happens(ev.ResultWritten(task))
            case do.Solve():
                self.solves.append(command)
            case do.Answer():
                self.answers.append((command.reply.code, command.reply.count, command.reply.aux))

    def detected(self, task, fact):
        seen, view = sighting_from_json(fact["seen"]), View.from_json(fact["view"])
        if isinstance(seen, Sighting):
            stack = ViewStack.of([Pair(0, np.eye(4), seen.ids, seen.corners_px)], self.inputs.board.corners_m())
            pose = fit_board_poses(self.inputs.lens, stack).camera_T_board
            spread = np.linalg.inv(linearise_corners(self.inputs.lens, stack, pose).information[0])
            view = View(**{**view.__dict__, "board": BoardSeen(pose[0], spread)})
        return ev.Detected(task, seen, view)

    def solve(self, command):
        pairs, checks = self.inputs.numbered_alike(command.pairs, command.checks)
        self.happens(ev.Solved(command.task, solve(self.inputs.problem(pairs), checks, command.placed)))


@pytest.fixture(scope="module")
def session(recorded_cell, tmp_path_factory):
    """The folder of a session in which a pair does not belong, one is taken back and one is a check."""
    place = tmp_path_factory.mktemp("replayed")
    station = recorded_cell.station(place, tolerance_mm=0.05)
    return place, station


def test_the_same_facts_give_the_same_answers_however_fast_the_solves_are(session, start_daemon, recorded_cell):
    place, station = session
    daemon = start_daemon(station)
    said = [recorded_cell.capture(seq) for seq in range(1, 8)]
    # The picture of the eighth waypoint with the pose of the tenth.
    said += [recorded_cell.capture(8, 9), recorded_cell.capture(9, 8), "undo 10", recorded_cell.capture(11, 9)]
    said += [recorded_cell.capture(12, 10).replace("capture", "check"), recorded_cell.capture(13, 11), "solve 14"]
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        told = [(code, count, aux) for code, _, count, aux in (robot.final(line) for line in said)]
        robot.ask("status 0")
    daemon.terminate()
    assert told[7][0] == 27, told
    folder = list_sessions(place / "sessions")[-1]
    recorded = [(f["code"], f["count"], f["aux"]) for f in SessionFolder.view(folder).records if f["fact"] == "answer"]
    assert recorded == told
    for late in (False, True):
        replay = Replay(folder, late)
        assert replay.run() == told
        order = [(f["fact"], f.get("kept")) for f in replay.written if f["fact"] in ("answer", "solved")]
        before = [(f["fact"], f.get("kept")) for f in replay.facts if f["fact"] in ("answer", "solved")]
        assert order == before[: len(order)]
    assert any(fact["behind"] for fact in replay.facts if fact["fact"] == "solved"), "some were answered first"
