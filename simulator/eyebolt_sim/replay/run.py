"""A replay from the folder of a session to the report."""

from __future__ import annotations

import contextlib
import math
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from eyebolt.deadline import Deadline
from eyebolt.errors import InputFault
from eyebolt.session import ImageFact, decode_facts
from eyebolt.store import SessionFolder, list_sessions
from eyebolt_sim.replay.camera import ReplayCamera
from eyebolt_sim.replay.daemon_target import ReplayTarget, attach_daemon, own_daemon_target
from eyebolt_sim.replay.fact_replay import InProcessReplay
from eyebolt_sim.replay.faults import injected_faults
from eyebolt_sim.replay.recording import RecordedSession, read_recorded, recorded_result
from eyebolt_sim.replay.report import Report
from eyebolt_sim.replay.robot import Played, ReplayRobot

# The daemon may write the last result after its last reply.
_RESULT_TIMEOUT_S = 5.0
_POLL_INTERVAL_S = 0.1


@dataclass(frozen=True)
class LiveOptions:
    """Options of a replay against a daemon."""

    speed: float = math.inf
    """times real time; infinity: as fast as possible"""
    injected: Sequence[str] = ()
    """specifications of faults, see `injected_faults`"""
    station: Path | None = None
    """station file of a running daemon; None starts a new one"""
    folder: Path | None = None
    """folder of the new daemon; None: a temporary one, which is kept only if something differs"""


def replay_in_process(path: Path) -> Report:
    """Decide again from the recorded facts, without a daemon."""
    session = read_recorded(path)
    replay = InProcessReplay(session)
    answers = replay.run()
    played = [Played(line, (reply,)) for line, reply in zip(session.lines, answers, strict=True)]
    return Report(session, "in process: recorded detections, new decisions and solves", played, replay.result)


def replay_live(path: Path, options: LiveOptions, on_played: Callable[[Played], None]) -> Report:
    """Send the recorded lines and images to a daemon; ``on_played`` receives each line with its replies.

    Raises what `ReplayRobot`, `own_daemon_target` and `attach_daemon` raise, and InputFault ``replay-fault``.
    """
    session = read_recorded(path)
    injected = injected_faults(options.injected, session.lines)
    with contextlib.ExitStack() as stack:
        if options.station is not None:
            target = attach_daemon(options.station)
            target_text = f"against the daemon of {options.station}"
        else:
            folder = options.folder or Path(tempfile.mkdtemp(prefix="eyebolt-replay-"))
            _require_empty(folder)
            target = stack.enter_context(own_daemon_target(session, folder, options.speed))
            target_text = f"against a new daemon in {folder}"
        earlier_sessions = {path.name for path in list_sessions(target.record_folder)}
        camera = stack.enter_context(ReplayCamera(target.station.camera.endpoint or ""))
        start_s = time.monotonic()
        played = ReplayRobot(session, target, camera, options.speed, injected, on_played).run()
        elapsed_s = time.monotonic() - start_s
        pace = "as fast as possible" if math.isinf(options.speed) else f"at {options.speed:g} times the recorded speed"
        report = _final_report(session, f"{target_text}, {pace}, {elapsed_s:.0f} s", played, target, earlier_sessions)
    if report.same and options.station is None and options.folder is None:
        shutil.rmtree(folder, ignore_errors=True)
    return report


def _final_report(
    session: RecordedSession, method: str, played: list[Played], target: ReplayTarget, earlier_sessions: set[str]
) -> Report:
    """The report as soon as result and images agree, at the latest when the daemon must have written them."""
    reports = _reports(session, method, played, target, earlier_sessions)
    deadline = Deadline.after(_RESULT_TIMEOUT_S)
    report = next(reports)
    while not (report.same_result and report.same_image_count) and not deadline.has_passed:
        time.sleep(_POLL_INTERVAL_S)
        report = next(reports)
    return report


def _reports(
    session: RecordedSession, method: str, played: list[Played], target: ReplayTarget, earlier_sessions: set[str]
) -> Iterator[Report]:
    while True:
        new = [path for path in list_sessions(target.record_folder) if path.name not in earlier_sessions]
        facts = decode_facts(SessionFolder.open_read_only(new[-1]).records) if new else []
        image_count = sum(1 for fact in facts if isinstance(fact, ImageFact))
        yield Report(session, method, played, recorded_result(new[-1]) if new else None, image_count)


def _require_empty(folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()):
        raise InputFault("folder-unwritable", f"the folder {folder} is not empty", "name a new folder: --folder.")
