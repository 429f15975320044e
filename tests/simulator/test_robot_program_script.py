"""robot_scripts/python/robot_program.py as a process, against scripted daemons."""

import sys
from pathlib import Path

import pytest

from support.processes import run

FOLDER = Path(__file__).resolve().parents[2] / "robot_scripts" / "python"
POSES = ["1.0, 2.0, 3.0, 1, 0, 0, 0", "4.5, 5.5, 6.5, 0, 1, 0, 0", "7, 8, 9, 0, 0, 1, 0"]


def run_script(tmp_path, port, *arguments, typed=""):
    waypoints = tmp_path / "waypoints.csv"
    waypoints.write_text("# three waypoints\n" + "\n".join(POSES) + "\n\n")
    command = [sys.executable, "-I", str(FOLDER / "robot_program.py"), f"127.0.0.1:{port}", str(waypoints), *arguments]
    return run(command, stdin_text=typed, limit_s=30.0)


def run_impatient(tmp_path, port):
    """The script with a limit of no time at all for a line that gets no reply."""
    program = "import robot_program as program, sys; program.GIVE_UP_S = 0; sys.exit(program.main())"
    waypoints = tmp_path / "waypoints.csv"
    waypoints.write_text("\n".join(POSES))
    return run([sys.executable, "-c", program, f"127.0.0.1:{port}", str(waypoints), "0"], limit_s=30.0, cwd=FOLDER)


def script(*captures, **others):
    pending = list(captures)

    def answer(line):
        verb, seq, *_ = line.split()
        if verb in ("capture", "again"):
            return pending.pop(0).replace("SEQ", seq)
        return others.get(verb, "0,0,0,7" if verb == "hello" else "0,SEQ,0,0").replace("SEQ", seq)

    return answer


def verbs(daemon):
    return [" ".join(line.split()[:2]) for line in daemon.lines]


def test_a_whole_session(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("0,SEQ,1,2", "2,SEQ,2,1", "3,SEQ,3,0", result="0,SEQ,10,20,30,1,0,0,0"))
    done = run_script(tmp_path, daemon.port, "0")
    assert done.returncode == 0, done.stderr
    assert daemon.lines == [
        "hello 0", "begin 8", "capture 9 1.0 2.0 3.0 1 0 0 0", "capture 10 4.5 5.5 6.5 0 1 0 0",
        "capture 11 7 8 9 0 0 1 0", "solve 12", "result 13", "bye 14",
    ]  # fmt: skip
    assert "result: 10 20 30 1 0 0 0" in done.stdout


def test_working_is_polled(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("10,SEQ,0,3", "10,SEQ,0,3", "3,SEQ,1,0"))
    assert run_script(tmp_path, daemon.port, "0").returncode == 0
    assert verbs(daemon)[2:6] == ["capture 9", "again 9", "again 9", "solve 10"]


def test_a_refusal_is_retried_once_under_a_new_number_and_then_skipped(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("20,SEQ,0,3", "0,SEQ,1,2", "26,SEQ,1,2", "26,SEQ,1,2", "0,SEQ,2,1"))
    assert run_script(tmp_path, daemon.port, "0").returncode == 0
    assert [line.split()[0:3] for line in daemon.lines[2:7]] == [
        ["capture", "9", "1.0"], ["capture", "10", "1.0"], ["capture", "11", "4.5"], ["capture", "12", "4.5"],
        ["capture", "13", "7"],
    ]  # fmt: skip
    assert verbs(daemon)[7:] == ["solve 14", "result 15", "bye 16"]


def test_the_loop_ends_when_no_more_pairs_are_wanted(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("0,SEQ,8,0"))
    assert run_script(tmp_path, daemon.port, "0").returncode == 0
    assert verbs(daemon) == ["hello 0", "begin 8", "capture 9", "solve 10", "result 11", "bye 12"]


def test_a_refusal_with_no_pairs_wanted_does_not_end_the_loop(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("20,SEQ,0,0", "20,SEQ,0,0", "3,SEQ,8,0"))
    assert run_script(tmp_path, daemon.port, "0").returncode == 0
    assert verbs(daemon)[2:5] == ["capture 9", "capture 10", "capture 11"]


@pytest.mark.parametrize("code", [30, 34, 39])
def test_a_stop_code_ends_the_program_with_3(scripted_daemon, tmp_path, code):
    daemon = scripted_daemon(script("0,SEQ,1,2", f"{code},SEQ,1,2"))
    done = run_script(tmp_path, daemon.port, "0")
    assert done.returncode == 3
    assert f"{code} to capture" in done.stderr
    assert verbs(daemon)[-1] == "capture 10"


def test_a_result_that_is_not_accepted_yet_does_not_stop_the_program(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("3,SEQ,1,0", result="36,SEQ,0,0,0,0,0,0,0"))
    done = run_script(tmp_path, daemon.port, "0")
    assert done.returncode == 0
    assert "(36)" in done.stdout
    assert verbs(daemon)[-1] == "bye 12"


@pytest.mark.parametrize(
    ("captures", "others", "words"),
    [
        (["41,SEQ,0,0"], {}, "41 to capture"),
        ([], {"hello": "46,0,0,0"}, "46 to hello"),
        ([], {"begin": "45,SEQ,0,0"}, "45 to begin"),
        (["nonsense"], {}, "b'nonsense'"),
    ],
)
def test_an_error_ends_the_program_with_1_and_one_line_of_text(scripted_daemon, tmp_path, captures, others, words):
    done = run_script(tmp_path, scripted_daemon(script(*captures, **others)).port, "0")
    assert done.returncode == 1
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_a_closed_connection_a_missing_daemon_and_wrong_usage_are_errors(scripted_daemon, tmp_path, free_port):
    closing = scripted_daemon(lambda line: None if line.startswith("begin") else "0,0,0,0")
    closed = run_impatient(tmp_path, closing.port)
    assert "begin 1" in closed.stderr
    for done in (closed, run_script(tmp_path, free_port(), "0"), run_script(tmp_path, free_port(), "0", "1")):
        assert done.returncode == 1
        assert done.stderr.strip()
        assert "Traceback" not in done.stderr


def test_without_a_pause_it_waits_for_enter_at_each_waypoint(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("0,SEQ,1,1", "3,SEQ,2,0"))
    done = run_script(tmp_path, daemon.port, typed="\n\n")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("then press Enter") == 2


def test_an_interrupted_session_goes_on_with_the_waypoints_that_may_be_left(scripted_daemon, tmp_path):
    daemon = scripted_daemon(
        script("10,SEQ,1,7", "0,SEQ,2,6", "3,SEQ,3,0", hello="0,0,1,5", status="0,SEQ,2,6", result="36,SEQ,0,0")
    )
    done = run_script(tmp_path, daemon.port, "0")
    assert done.returncode == 0, done.stderr
    assert daemon.lines == [
        "hello 0", "again 5", "again 5", "status 5", "capture 6 7 8 9 0 0 1 0", "solve 7", "result 8", "bye 9",
    ]  # fmt: skip


def test_a_session_that_wants_no_more_pairs_is_ended_without_captures(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("3,SEQ,2,0", hello="0,0,2,5", status="0,SEQ,2,0"))
    assert run_script(tmp_path, daemon.port, "0").returncode == 0
    assert verbs(daemon) == ["hello 0", "again 5", "status 5", "solve 6", "result 7", "bye 8"]


def test_a_session_whose_camera_was_lost_goes_on(scripted_daemon, tmp_path):
    daemon = scripted_daemon(script("30,SEQ,2,6", "3,SEQ,3,0", hello="0,0,2,5", status="0,SEQ,2,6"))
    assert run_script(tmp_path, daemon.port, "0").returncode == 0
    assert verbs(daemon)[:4] == ["hello 0", "again 5", "status 5", "capture 6"]


@pytest.mark.parametrize(
    ("hello", "last", "arguments"),
    [("0,0,2,5", "34,SEQ,2,6", []), ("0,0,2,5", "0,SEQ,2,6", ["new"]), ("0,0,0,0", None, []), ("0,0,0,5", None, [])],
    ids=["stopped by a finding", "asked for", "none open", "without pairs"],
)
def test_a_new_session_is_begun_otherwise(scripted_daemon, tmp_path, hello, last, arguments):
    captures = ["3,SEQ,1,0"] if last is None else [last, "3,SEQ,1,0"]
    daemon = scripted_daemon(script(*captures, hello=hello, status="0,SEQ,2,6"))
    assert run_script(tmp_path, daemon.port, "0", *arguments).returncode == 0
    begun = verbs(daemon).index(f"begin {int(hello[-1]) + 1}")
    assert daemon.lines[begun + 1].split()[0::2][:2] == ["capture", "1.0"]


def test_the_example_waypoints_are_poses_of_mm_and_unit_quaternions():
    rows = [line.split(",") for line in (FOLDER / "waypoints_example.csv").read_text().splitlines() if line[0] != "#"]
    assert len(rows) >= 8
    for row in rows:
        x, y, z, *quaternion = (float(field) for field in row)
        assert sum(q * q for q in quaternion) == pytest.approx(1, abs=1e-5)
        assert 100 < (x * x + y * y + z * z) ** 0.5 < 900
