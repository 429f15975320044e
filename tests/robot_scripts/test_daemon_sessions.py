"""Whole sessions of the scripts with a daemon over real sockets: the transform that they take over is the daemon's."""

import json
import subprocess

import numpy as np
import pytest

from eyebolt_sim.pose_format import PoseFormat
from support.long_forms import first
from support.prepared_daemon import PreparedCell, PreparedDaemon, prepared_daemons
from support.robot_languages import DIALECTS
from support.robot_languages.c_option import compiled, has_compiler
from support.robot_languages.cell import NetworkCell
from support.robot_languages.stations import STATIONS, stored_frame, taught

POSES = 17
YES = 1
CASES = [f"{language}-{mount}" for language in STATIONS for mount in ("fixed", "arm")]


class Session:
    """A daemon with a cell of known truth, and what its newest session came to."""

    def __init__(self, place, form, mount):
        self.form = form
        self.cell = PreparedCell.draw(mount, POSES, 3)
        station = self.cell.station(
            place, length=form.length, rotation=form.rotation, angle=form.angle, min_pairs=6, control=None
        )
        self.daemon = PreparedDaemon(self.cell, station, {})

    def numbers(self, index):
        return self.form.numbers(self.cell.problem.base_T_flange_reported[index])

    def check(self, taken):
        """``taken``: the numbers that the script took over."""
        (document,) = self.daemon.context.record_folder.glob("*/result.json")
        result = json.loads(document.read_text("utf-8"))
        transform = np.array(result["transform"]["matrix_m"])
        # The reply rounds to 1 um and 0.0001 deg or less.
        assert self.form.parse_pose(taken) == pytest.approx(transform, abs=3e-6)
        assert transform[:3, 3] == pytest.approx(self.cell.problem.hand_eye_true[:3, 3], abs=2e-3)
        assert result["checks"]["count"] == 1


@first("case", CASES)
def test_a_session_of_each_script(case, tmp_path):
    language, mount = case.rsplit("-", 1)
    pose_format, *_ = STATIONS[language]
    session = Session(tmp_path, PoseFormat(pose_format.length, pose_format.rotation, pose_format.angle), mount)
    with prepared_daemons() as errors, session.daemon as daemon:
        host = NetworkCell(daemon.port, session.numbers, daemon.stand_at, [YES, YES, YES])
        dialect = DIALECTS[language]
        program = dialect.program(taught(language), host)
        dialect.run(program, "calibrate")
        host.close()
        session.check(stored_frame(program, language))
    assert errors == []
    assert host.moves >= 6


@pytest.mark.long
@pytest.mark.skipif(not has_compiler, reason="no C compiler")
@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_a_session_of_the_c_option(mount, tmp_path):
    session = Session(tmp_path, PoseFormat("um", "euler-xyz", "1e-4deg"), mount)
    program = compiled(tmp_path, "calibrate")
    with prepared_daemons() as errors, session.daemon as daemon:
        job = subprocess.Popen(
            [str(program)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={"PORT": str(daemon.port), "REAL_TIME": "1"},
        )
        variables = {}

        def ask(request, index=0):
            """The outcome of a request of the job at the pose ``index``."""
            daemon.stand_at(index)
            job.stdin.write(" ".join([str(request), *(str(round(number)) for number in session.numbers(index))]) + "\n")
            job.stdin.flush()
            while (line := job.stdout.readline().split(" ", 2))[:2] != ["B", "10"]:
                variables[line[0] + line[1]] = line[2].strip()
            return int(variables["B11"])

        with job:
            outcomes = [ask(1)]
            while outcomes[-1] in (0, 2):
                outcomes.append(ask(2, len(outcomes) - 1))
            rest = [ask(3, POSES - 1), ask(4), ask(5)]
        assert (outcomes[-1], rest[1:]) == (1, [0, 0])
        session.check([int(variables[f"D{index}"]) for index in range(20, 26)])
    assert errors == []
