"""A whole replay, from a session's folder to its report."""

from __future__ import annotations

import contextlib
import json
import math
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from eyebolt.errors import InputFault
from eyebolt.results import to_text
from eyebolt.store import SessionFolder, list_sessions
from eyebolt_sim.replay.camera import ReplayCamera
from eyebolt_sim.replay.daemon_target import PlayedAgainst, own_daemon, running_daemon
from eyebolt_sim.replay.fact_replay import InProcessReplay
from eyebolt_sim.replay.line_faults import laid_over
from eyebolt_sim.replay.recording import RecordedSession, read_recorded, read_result
from eyebolt_sim.replay.report import Report
from eyebolt_sim.replay.robot import Played, ReplayRobot

# The result of the last pairs is written behind their answer.
_RESULT_WITHIN_S = 5.0
_LOOK_EVERY_S = 0.1


@dataclass(frozen=True)
class LiveChoices:
    """``speed``: times real time, infinity as fast as possible. ``laid``: faults as in ``laid_over``.

    ``station``: file of a daemon that runs; None starts one in ``folder``, or in a temporary one that is kept only if
    something differs.
    """

    speed: float = math.inf
    laid: Sequence[str] = ()
    station: Path | None = None
    folder: Path | None = None


def replay_in_process(path: Path) -> Report:
    """The recorded facts fed to the session's decisions; no daemon."""
    session = read_recorded(path)
    replay = InProcessReplay(session)
    answers = replay.run()
    result = None if replay.result is None else json.loads(to_text(replay.result))
    played = [Played(line, (told,)) for line, told in zip(session.lines, answers, strict=True)]
    return Report(session, "in process: boards as recorded, decided and solved anew", played, result)


def replay_live(path: Path, choices: LiveChoices, say: Callable[[Played], None]) -> Report:
    """The recorded lines and pictures against a daemon, through its sockets; ``say`` gets each line played.

    Raises what ReplayRobot, ``own_daemon`` and ``running_daemon`` do, InputFault ``replay-fault``.
    """
    session = read_recorded(path)
    laid = laid_over(choices.laid, session.lines)
    with contextlib.ExitStack() as stack:
        if choices.station is not None:
            against = running_daemon(choices.station)
            whom = f"against the daemon of {choices.station}"
        else:
            folder = choices.folder or Path(tempfile.mkdtemp(prefix="eyebolt-replay-"))
            _refuse_used(folder)
            against = stack.enter_context(own_daemon(session, folder, choices.speed))
            whom = f"against a daemon of its own in {folder}"
        known = {path.name for path in list_sessions(against.record_folder)}
        camera = stack.enter_context(ReplayCamera(against.station.camera.endpoint or ""))
        begun_s = time.monotonic()
        played = ReplayRobot(session, against, camera, choices.speed, laid, say).run()
        took_s = time.monotonic() - begun_s
        pace = "as fast as possible" if math.isinf(choices.speed) else f"at {choices.speed:g} times its speed"
        report = _settled_report(session, f"{whom}, {pace}, {took_s:.0f} s", played, against, known)
    if report.same and choices.station is None and choices.folder is None:
        shutil.rmtree(folder, ignore_errors=True)
    return report


def _settled_report(
    session: RecordedSession, how: str, played: list[Played], against: PlayedAgainst, known: set[str]
) -> Report:
    """The report once the daemon has written what follows its last answer, or after a while."""
    reports = _reports(session, how, played, against, known)
    until = time.monotonic() + _RESULT_WITHIN_S
    report = next(reports)
    while not (report.same_result and report.same_pictures) and time.monotonic() < until:
        time.sleep(_LOOK_EVERY_S)
        report = next(reports)
    return report


def _reports(
    session: RecordedSession, how: str, played: list[Played], against: PlayedAgainst, known: set[str]
) -> Iterator[Report]:
    while True:
        new = [path for path in list_sessions(against.record_folder) if path.name not in known]
        facts = SessionFolder.view(new[-1]).records if new else []
        pictures = sum(1 for fact in facts if fact["fact"] == "picture")
        yield Report(session, how, played, read_result(new[-1]) if new else None, pictures)


def _refuse_used(folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()):
        raise InputFault("folder-unwritable", f"the folder {folder} is not empty", "name a new one: --folder.")
