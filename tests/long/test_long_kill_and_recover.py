"""What `tests/daemon/test_killed_sessions.py` does a few times, hundreds of times; and the time of a restart."""

import shutil
import statistics
from datetime import datetime

import pytest

from eyebolt.session.facts import DetectionFact, ImageFact, ReplyFact, RequestRef, encode_fact
from eyebolt.store.names import list_sessions, session_name
from eyebolt.store.session_folder import SessionFolder
from support.kill_runs import SPARE, KilledSessions
from support.push_camera_cell import record_pushed_cell
from support.recorded_facts import facts_in

pytestmark = [pytest.mark.long, pytest.mark.timeout(0)]
KILLS = 300
PAIRS = 20
MANY_PAIRS = 200
BAR_S = 2.0
WALL = datetime(2026, 1, 1)


def place_for(tmp_path, name):
    place = tmp_path / name
    place.mkdir()
    return place


def test_hundreds_of_kills_take_nothing_that_was_told(tmp_path):
    cell = record_pushed_cell(place_for(tmp_path, "cell"), waypoints=PAIRS + 10, seed=4)
    sessions = KilledSessions(cell, place_for(tmp_path, "station"), PAIRS, seed=1)
    sessions.live(KILLS)
    answers = sum(len(replies) for replies in sessions.answered)
    print(f"{KILLS} kills, {len(sessions.answered)} sessions, {answers} answers: every one is there")


def test_a_restart_with_many_pairs_is_soon_over(tmp_path):
    """Prints how soon: the computer that runs this may be busy. A solve of all pairs is owed each time."""
    cell = record_pushed_cell(place_for(tmp_path, "cell"), waypoints=SPARE * MANY_PAIRS, seed=4)
    place = place_for(tmp_path, "station")
    sessions = KilledSessions(cell, place, PAIRS, seed=2)
    sessions.work_until(sessions=MANY_PAIRS // PAIRS)
    join_sessions(place / "sessions")
    sessions.restarts.clear()
    sessions.start_and_kill(20)
    assert min(restart.pairs for restart in sessions.restarts) >= MANY_PAIRS
    wall = [restart.wall_s for restart in sessions.restarts]
    processor_s = statistics.median(restart.processor_s for restart in sessions.restarts)
    said = f"median {statistics.median(wall):.2f} s, longest {max(wall):.2f} s (bar {BAR_S:.0f} s)"
    print(f"from start to the reply to status with {MANY_PAIRS} pairs: {said}; of processor time {processor_s:.2f} s")


def join_sessions(record_folder):
    """A newer session with the captures of all others and no solve: as many pairs take hours to solve one by one."""
    opened, joined, images, count = None, [], [], 0
    for path in list_sessions(record_folder):
        opened = opened or facts_in(path)[0]
        replies = {fact.request.seq: fact for fact in facts_in(path, ReplyFact)}
        detections = {fact.index: fact for fact in facts_in(path, DetectionFact)}
        for taken in facts_in(path, ImageFact):
            if taken.index not in detections:
                continue
            number, reply = len(images), replies[taken.request.seq]
            count += taken.verb == "capture" and reply.code.keeps_pair
            verb, _, pose = taken.request.line.split(" ", 2)
            again = RequestRef(seq=number + 1, line=f"{verb} {number + 1} {pose}")
            joined.append(taken.model_copy(update={"request": again, "index": number, "file": f"{number:04d}.tif"}))
            joined.append(detections[taken.index].model_copy(update={"index": number}))
            joined.append(reply.model_copy(update={"request": again, "count": count}))
            images.append(path / "images" / taken.file)
    name = session_name(WALL, [path.name for path in list_sessions(record_folder)])
    snapshots = {kept: (path / kept).read_bytes() for kept in ("station.toml", "camera.json")}
    first = [encode_fact(opened.model_copy(update={"session": name}))]
    with SessionFolder.create(record_folder, name, snapshots, first=first) as folder:
        folder.append([encode_fact(fact) for fact in joined])
        for number, image in enumerate(images):
            shutil.copy(image, folder.path / "images" / f"{number:04d}.tif")
