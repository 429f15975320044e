"""The accepted result: of which session, by whom, and whether it is still that of the station."""

import json
import os
import shutil
import stat
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.boards import ExposureStats
from eyebolt.boards.chessboard import Chessboard
from eyebolt.boards.detection import Detection
from eyebolt.calibration import AcceptanceCause, Refusal, ResultAcceptance
from eyebolt.calibration.solution import RefusalCode
from eyebolt.context import load_context
from eyebolt.errors import EyeboltError, InputFault
from eyebolt.geometry import Mount
from eyebolt.observations import Dataset
from eyebolt.results import ACCEPTED_NAME, REPLACED_NAME, accept_session, read_accepted, read_result
from eyebolt.results.files import accepted_signature, unreadable_accepted, write_result
from eyebolt.session import DetectionFact, ImageFact, ReplyFact, decode_facts, encode_fact, fold
from eyebolt.session.facts import FrameInfo, RequestRef, SessionFact
from eyebolt.store import ERROR_MAP_NAME, RESULT_NAME, SessionFolder
from support.folder_camera_cell import write_station
from support.solutions import made_up_solution

NAME, OTHER = "20260314-091500-01", "20260314-091500-02"
WHEN = "2026-03-14T09:15:00Z"
GOOD = ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "good")
SEEN = Detection(np.arange(4), np.zeros((4, 2)), ExposureStats(0.1, 0.7, 0.0, 0.0, 0.75), (1280, 960), 0.6)


class Cell:
    """A station whose sessions are written without a daemon."""

    def __init__(self, place: Path, **changes) -> None:
        self.station_file = write_station(place, **changes)
        self.context = load_context(self.station_file)
        self.record = self.context.record_folder

    def session(self, name: str = NAME, pairs: int = 8) -> Path:
        """A session with so many recorded pairs."""
        opened = SessionFact(session=name, station="bay-3", mount=Mount.FIXED, timestamp=WHEN)
        folder = SessionFolder.create(self.record, name, self.context.snapshots, first=[encode_fact(opened)])
        with folder:
            for index in range(pairs):
                folder.append(facts_of_pair(index))
        return folder.path

    def solve(self, session: Path, accept: bool = False, **changes) -> None:
        """Writes a result of what is recorded."""
        outcome = made_up_solution(0.2, **{"pairs_used": len(dataset_of(session).pairs), **changes})
        write_result(self.context, session, dataset_of(session), outcome, GOOD, accept)

    def edit(self, old: str, new: str, file: str = "station.toml") -> None:
        """Another station or lens file, and the context that a restarted daemon has."""
        path = self.station_file.parent / file
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
        self.context = load_context(self.station_file)


def facts_of_pair(index: int) -> list[bytes]:
    request = RequestRef(seq=index + 1, line=f"capture {index + 1}")
    frame = FrameInfo(name="", method="", received_ns=0, exposed_ns=0, arrived_ns=0)
    facts = (
        ImageFact(
            index=index,
            verb="capture",
            request=request,
            timestamp=WHEN,
            raw_pose=None,
            base_T_flange=np.eye(4).tolist(),
            file=f"{index:04d}.tif",
            sha256="",
            frame=frame,
        ),
        DetectionFact(index=index, detection=SEEN.to_record(), view=None, p_value=None),
        reply_to(request, count=index + 1),
    )
    return [encode_fact(fact) for fact in facts]


def reply_to(request: RequestRef, count: int) -> ReplyFact:
    return ReplyFact(request=request, code=0, count=count, aux=0, message="", remedy="", measure=None, timestamp=WHEN)


def dataset_of(session: Path) -> Dataset:
    return fold(decode_facts(SessionFolder.open_read_only(session).records)).dataset


@pytest.fixture
def cell(tmp_path):
    return Cell(tmp_path)


@pytest.fixture
def session(cell):
    path = cell.session()
    cell.solve(path)
    return path


def fault_code(action) -> str:
    with pytest.raises(EyeboltError) as fault:
        action()
    return fault.value.code


def test_a_result_is_given_to_the_robot_once_it_is_accepted(cell, session):
    assert read_accepted(cell.context) is None
    accept_session(session, "R. Ode")
    found = read_accepted(cell.context)
    assert (found.session, found.by, found.gap, found.is_newest) == (NAME, "R. Ode", None, True)
    assert np.array_equal(found.transform, np.eye(4))


def test_checks_are_compared_with_the_board_of_the_accepted_result(cell):
    session, Y = cell.session(), np.eye(4)
    Y[:3, 3] = 0.1, -0.2, 0.3
    cell.solve(session, Y=Y)
    accept_session(session, "R. Ode")
    assert read_accepted(cell.context).board_transform == pytest.approx(Y)


def test_the_signature_changes_with_the_newest_result_of_the_accepted_session(cell, session):
    accept_session(session, "R. Ode")
    accepted = read_accepted(cell.context)
    before = accepted_signature(cell.record, accepted), accepted_signature(cell.record, None)
    assert accepted_signature(cell.record, accepted) == before[0]
    cell.solve(session, corner_rms_px=0.2)
    assert accepted_signature(cell.record, accepted) != before[0]
    # Of which session it is, is known once it was read.
    assert accepted_signature(cell.record, None) == before[1]


def test_results_give_the_robot_the_same_only_if_both_give_it_a_transform(cell, session):
    result = read_result(session)
    assert result.has_transform_of(result)
    refused = result.model_copy(update={"transform": None})
    for other in (refused, result.model_copy(update={"session": OTHER})):
        assert not result.has_transform_of(other)
        assert not other.has_transform_of(result)
    assert not refused.has_transform_of(refused)


@pytest.mark.parametrize(
    ("old", "new", "file", "named"),
    [
        ('name = "bay-3"', 'name = "bay-4"', "station.toml", ("[station] name", "'bay-3'", "'bay-4'")),
        ('mount = "fixed"', 'mount = "arm"', "station.toml", ("[station] mount", "'fixed'", "'arm'")),
        ("square_mm = 15.0", "square_mm = 15.1", "station.toml", ("[board] square_mm", "15.0", "15.1")),
        ('corner_order = "current"', 'corner_order = "legacy"', "station.toml", ("corner_order",)),
        ("1400.0", "1402.0", "camera.json", ("lens file: matrix", "1400.0", "1402.0")),
        ("-0.1", "-0.2", "camera.json", ("distortion", "-0.1", "-0.2")),
    ],
)
def test_a_result_of_another_setup_is_not_given_to_the_robot(cell, session, old, new, file, named):
    accept_session(session, "R. Ode")
    cell.edit(old, new, file)
    gap = read_accepted(cell.context).gap
    places = [gap.message.find(text) for text in named]
    # What differs, what it was, what it is now.
    assert -1 not in places
    assert places == sorted(places)
    cell.edit(new, old, file)
    assert read_accepted(cell.context).gap is None


def test_a_comment_or_another_goal_is_no_other_setup(cell, session):
    accept_session(session, "R. Ode")
    cell.edit("# Station file of a cell", "# The station file of a cell, edited")
    cell.edit("min_pairs = 8 ", "min_pairs = 9 ")
    lens = cell.station_file.parent / "camera.json"
    content = json.loads(lens.read_text())
    # Further coefficients of zero are the same lens.
    content["distortion"] += [0.0] * (8 - len(content["distortion"]))
    lens.write_text(json.dumps(content, indent=3))
    cell.context = load_context(cell.station_file)
    assert read_accepted(cell.context).gap is None


def test_an_accepted_result_without_lens_and_board_is_not_given_to_the_robot(cell, session):
    accept_session(session, "R. Ode")
    path = cell.record / ACCEPTED_NAME
    content = json.loads(path.read_text())
    del content["setup"]
    path.write_text(json.dumps(content))
    assert "accept it again" in read_accepted(cell.context).gap.remedy


def test_an_unknown_direction_needs_a_word_of_its_own_and_is_still_not_given(cell):
    session = cell.session()
    cell.solve(session, unobservable=("the height of the camera",))
    assert fault_code(lambda: accept_session(session, "R. Ode")) == "result-incomplete"
    assert not (cell.record / ACCEPTED_NAME).exists()
    accept_session(session, "R. Ode", incomplete=True)
    assert "the height of the camera" in read_accepted(cell.context).gap.message
    document = read_result(session)
    assert document.transform.translation_mm[2] is None
    assert document.transform.robot_pose.values[2] is None
    assert (document.expected_error_mm, document.expected_pick_error_mm, document.error_map) == (None, None, None)
    assert document.covariance is None


def test_a_full_form_stated_later_gives_the_robot_the_tilt_that_one_angle_dropped(tmp_path):
    cell = Cell(tmp_path, turns="vertical", rotation="angle-z")
    tilted = np.eye(4)
    tilted[:3, :3] = Rotation.from_euler("x", 13, degrees=True).as_matrix()
    session = cell.session()
    cell.solve(session, X=tilted)
    document = read_result(session)
    assert document.transform.robot_pose is None
    assert "angle-z" in document.incomplete.message
    assert fault_code(lambda: accept_session(session, "R. Ode")) == "result-incomplete"
    accept_session(session, "R. Ode", incomplete=True)
    assert "angle-z" in read_accepted(cell.context).gap.message
    cell.edit('rotation = "angle-z"', 'rotation = "angle-z"\nresult_rotation = "quaternion-wxyz"')
    assert read_accepted(cell.context).gap is None


def test_fewer_pairs_than_the_station_requires_need_a_word_of_their_own(cell):
    session = cell.session(pairs=7)
    cell.solve(session)
    assert fault_code(lambda: accept_session(session, "R. Ode")) == "too-few-pairs"
    accept_session(session, "R. Ode", few_pairs=True)
    assert read_accepted(cell.context).session == NAME


def test_who_accepted_before_is_kept(cell, session):
    other = cell.session(OTHER)
    cell.solve(other)
    accept_session(session, "R. Ode")
    assert accept_session(other, "T. Wright").replaced.accepted.by == "R. Ode"
    accept_session(session, "S. Mason")
    notes = [json.loads(line) for line in (cell.record / REPLACED_NAME).read_text().splitlines()]
    assert [(note["session"], note["by"]) for note in notes] == [(NAME, "R. Ode"), (OTHER, "T. Wright")]
    assert notes[0]["transform"]["matrix_m"] == np.eye(4).tolist()


def test_a_session_is_found_through_any_path_to_it(cell, session, monkeypatch, tmp_path):
    monkeypatch.chdir(session)
    assert accept_session(Path(), "R. Ode").record_folder == cell.record
    link = tmp_path / "newest"
    link.symlink_to(session)
    accept_session(link, "T. Wright")
    assert read_accepted(cell.context).by == "T. Wright"
    assert [path.name for path in tmp_path.glob(f"**/{ACCEPTED_NAME}")] == [ACCEPTED_NAME]


def test_a_result_that_does_not_rest_on_the_record_is_refused(cell, session):
    """As after an ``undo`` that was answered, whose solve could not be written."""
    undo = RequestRef(seq=9, line="undo 9")
    with SessionFolder.open(session) as folder:
        folder.append([encode_fact(reply_to(undo, count=7))])
    with pytest.raises(InputFault) as fault:
        accept_session(session, "R. Ode")
    assert fault.value.code == "result-outdated"
    assert (
        "8 pairs, 0 checks, 0 touches in the result, 7 pairs, 0 checks, 0 touches in the record" in fault.value.message
    )
    assert not (cell.record / ACCEPTED_NAME).exists()


def test_a_copied_session_is_refused(cell, session, tmp_path):
    moved = tmp_path / "elsewhere"
    session.rename(moved)
    assert fault_code(lambda: accept_session(moved, "R. Ode")) == "result-copied"


def test_a_solve_with_the_same_outcome_keeps_the_acceptance_and_another_one_does_not(cell, session):
    accept_session(session, "R. Ode")
    cell.solve(session)
    assert read_result(session).accepted.by == "R. Ode"
    cell.solve(session, accept=True)
    assert read_result(session).accepted.by == "R. Ode", "the rule does not take the place of a person"
    assert read_accepted(cell.context).is_newest
    moved = np.eye(4)
    moved[0, 3] = 1e-9
    cell.solve(session, X=moved)
    assert read_result(session).accepted is None
    assert not read_accepted(cell.context).is_newest


def test_accepting_and_solving_at_once_loses_no_newer_result(cell, session):
    """Solves of a growing height, while the result is accepted again and again: what is newest stays."""
    failed: list[Exception] = []
    stop = threading.Event()

    def accept() -> None:
        # The lock is not fair: without a pause between two acceptances the solve might never get it.
        while not stop.wait(0.005):
            try:
                accept_session(session, "R. Ode")
            except Exception as fault:
                failed.append(fault)

    threads = [threading.Thread(target=accept) for _ in range(2)]
    for thread in threads:
        thread.start()
    try:
        for height in range(1, 31):
            X = np.eye(4)
            X[2, 3] = height
            cell.solve(session, X=X)
            assert read_result(session).transform.matrix_m[2][3] == height
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    assert failed == []
    assert read_result(session).transform.matrix_m[2][3] == 30
    assert [path.name for path in session.glob(".*")] == []


def test_the_rule_never_accepts_what_is_rejected(cell, session):
    rejected = ResultAcceptance(AcceptanceCause.ERROR_ABOVE_TOLERANCE, "too far off")
    outcome = made_up_solution(0.2, pairs_used=8)
    with pytest.raises(InputFault):
        write_result(cell.context, session, dataset_of(session), outcome, rejected, accept=True)
    assert not (cell.record / ACCEPTED_NAME).exists()
    assert (session / RESULT_NAME).exists()


def test_results_are_as_readable_as_their_session(cell, session):
    other = cell.session(OTHER)
    for path in (session, other):
        path.chmod(0o750)
        cell.solve(path)
        accept_session(path, "R. Ode")
    written = [session / "result.json", other / "result.json", cell.record / ACCEPTED_NAME, cell.record / REPLACED_NAME]
    assert {stat.S_IMODE(path.stat().st_mode) for path in written} == {0o640}


def test_the_note_of_a_replaced_result_is_on_the_disk(cell, session, monkeypatch):
    """No other file has it once the accepted result is overwritten."""
    synced, sync = [], os.fsync

    def record(descriptor):
        synced.append(Path(f"/proc/self/fd/{descriptor}").readlink().name)
        sync(descriptor)

    monkeypatch.setattr(os, "fsync", record)
    accept_session(session, "R. Ode")
    assert REPLACED_NAME not in synced
    other = cell.session(OTHER)
    cell.solve(other)
    accept_session(other, "T. Wright")
    assert REPLACED_NAME in synced


def test_a_board_that_looks_the_same_from_its_other_end_has_two_numberings(cell, session):
    accept_session(session, "R. Ode")
    marked = read_accepted(cell.context).board_corners_m
    assert marked.shape == (1, len(cell.context.board.corners_m()), 3)
    plain = Chessboard(columns=10, rows=8, square_m=0.015)
    here, there = read_accepted(replace(cell.context, board=plain)).board_corners_m
    # The last corner is the first one of the board turned by half a turn in its plane.
    assert there == pytest.approx(here[::-1], abs=1e-12)


def test_without_its_session_the_accepted_result_is_in_use_and_not_known_to_be_the_newest(cell, session):
    accept_session(session, "R. Ode")
    shutil.rmtree(session)
    found = read_accepted(cell.context)
    assert (found.gap, found.is_newest) == (None, False)
    assert np.array_equal(found.transform, np.eye(4))


def test_an_accepted_result_that_cannot_be_read_gives_the_robot_nothing():
    found = unreadable_accepted("it is empty")
    assert (found.session, found.by, found.transform, found.board_transform, found.is_newest) == (
        "",
        "",
        None,
        None,
        False,
    )
    assert "it is empty" in found.gap.message
    assert found.board_corners_m.size == 0


@pytest.mark.parametrize("content", [None, b"\xff\xfe"])
def test_a_result_that_cannot_be_read_is_named(session, content):
    path = session / RESULT_NAME
    path.unlink()
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(EyeboltError) as fault:
        read_result(session)
    assert fault.value.code == "record-read"
    assert str(path) in fault.value.message


def test_an_older_result_does_not_state_what_it_rests_on(session):
    path = session / RESULT_NAME
    content = json.loads(path.read_text())
    del content["based_on"]
    path.write_text(json.dumps(content))
    with pytest.raises(InputFault) as fault:
        accept_session(session, "R. Ode")
    assert fault.value.code == "result-outdated"
    assert "nothing stated in the result" in fault.value.message


def test_a_refusal_removes_the_error_map_of_the_result_before(cell, session):
    drawing = session / ERROR_MAP_NAME
    assert drawing.read_text().startswith("<svg")
    refusal = Refusal(RefusalCode.TOO_FEW_PAIRS, "2 usable pairs", "capture more", 2)
    for _ in range(2):
        write_result(cell.context, session, dataset_of(session), refusal, GOOD, accept=False)
        assert not drawing.exists()


@pytest.mark.parametrize("blocked", [REPLACED_NAME, ACCEPTED_NAME, RESULT_NAME, ERROR_MAP_NAME])
def test_a_file_that_cannot_be_written_is_named(cell, session, blocked):
    accept_session(session, "R. Ode")
    path = (session if blocked in (RESULT_NAME, ERROR_MAP_NAME) else cell.record) / blocked
    path.unlink(missing_ok=True)
    (path / "in the way").mkdir(parents=True)
    with pytest.raises(EyeboltError) as fault:
        if blocked == REPLACED_NAME:
            accept_session(session, "T. Wright")
        elif blocked == ERROR_MAP_NAME:
            refusal = Refusal(RefusalCode.TOO_FEW_PAIRS, "2 usable pairs", "capture more", 2)
            write_result(cell.context, session, dataset_of(session), refusal, GOOD, accept=False)
        else:
            cell.solve(session, accept=True)
    assert str(path) in fault.value.message
