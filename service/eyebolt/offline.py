"""What the commands do without a daemon: new station files, solving again, accepting."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from eyebolt.daemon.inputs import LENS_KEEPSAKE, STATION_KEEPSAKE, StationInputs, read_inputs
from eyebolt.daemon.results import accept_session, wall_now
from eyebolt.errors import EyeboltError, InputFault
from eyebolt.geometry.readings import PoseReading
from eyebolt.handover.result import Origin, result_document
from eyebolt.handover.summary import summary
from eyebolt.journal.folder import SessionFolder
from eyebolt.pairs.pair import Pair
from eyebolt.pairs.touch import PlacedBoard
from eyebolt.progress.judgement import judge
from eyebolt.session.facts import Log, fold, pairs_of
from eyebolt.solve.problem import Problem
from eyebolt.solve.problem_file import read_problem
from eyebolt.solve.refine_lens import solve_with_lens
from eyebolt.solve.run import solve
from eyebolt.station.lens import lens_text
from eyebolt.station.station import parse_station
from eyebolt.station.template import station_template

Say = Callable[[str], None]


def write_new_station(path: Path, mount: str, name: str) -> None:
    """Writes a commented station file. Raises InputFault if one is there already or the name is not allowed."""
    if path.exists():
        raise InputFault("file-exists", f"{path} is there already", "name another file, or move the old one away.")
    text = station_template(name, mount)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputFault(
            "file-unwritable", f"{path} cannot be written: {error.strerror}", "name another place."
        ) from None


def status_endpoint(station_file: Path) -> str:
    """Where the daemon of a station publishes. The lens file is not needed for that."""
    try:
        text = station_file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputFault(
            "file-unreadable",
            f"the station file {station_file} cannot be read: {error}",
            "name the station file, or say --endpoint tcp://127.0.0.1:4751.",
        ) from None
    return parse_station(text, str(station_file)).station.status


def accept_result(session: Path, by: str) -> list[str]:
    """Makes a session's result the station's; returns the lines to show."""
    if not by.strip() or not by.isprintable() or len(by) > 80:
        raise InputFault("accept-name", "--by must be a name of 1 to 80 printable characters", "say who accepts it.")
    document = accept_session(session, by.strip())
    return [*summary(document), f"the station uses this result now: {session.parent / 'accepted.json'}"]


def solve_all(paths: Sequence[Path], as_json: bool, refine_lens: bool, say: Say) -> int:
    """Solves each path and says the result; 1 if any could not be read or was rejected, else 0.

    ``refine_lens``: the lens is estimated too, and said as ``refined_lens`` in the form of a lens file.
    """
    status = 0
    for path in paths:
        try:
            document = (_solve_session if path.is_dir() else _solve_problem)(path, refine_lens)
        except EyeboltError as fault:
            if as_json or not path.is_dir():
                fields = {"session": str(path), "code": fault.code, "error": fault.message, "remedy": fault.remedy}
                say(json.dumps(fields))
            else:
                say(f"{path}: {fault}")
            status = 1
            continue
        if document["verdict"] == "reject":
            status = 1
        if as_json or not path.is_dir():
            say(json.dumps(document, allow_nan=False))
        else:
            say(f"{path}")
            for line in summary(document, with_acceptance=False):
                say(f"  {line}")
    return status


def _solve_session(path: Path, refine_lens: bool) -> dict[str, Any]:
    inputs = read_inputs(path / STATION_KEEPSAKE, path / LENS_KEEPSAKE)
    folder = SessionFolder.view(path)
    log = fold(folder.records) or Log(name=path.name)
    task = Task(inputs.problem(pairs_of(log.solvable)), pairs_of(log.checks), log.placed)
    return task.document(_origin(inputs, path), inputs.station.goal.tolerance_mm, refine_lens)


def _origin(inputs: StationInputs, path: Path) -> Origin:
    station = inputs.station
    return Origin(station.station.name, path.name, station.station.mount, station.reading, inputs.digests, wall_now())


def _solve_problem(path: Path, refine_lens: bool) -> dict[str, Any]:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputFault("file-unreadable", f"{path} cannot be read: {error}", "check the path.") from None
    problem, tolerance_mm = read_problem(text, str(path))
    origin = Origin("", str(path), problem.mount, PoseReading(), {}, wall_now())
    return Task(problem).document(origin, tolerance_mm, refine_lens)


@dataclass(frozen=True)
class Task:
    """What there is to solve."""

    problem: Problem
    checks: tuple[Pair, ...] = ()
    placed: tuple[PlacedBoard, ...] = ()

    def document(self, origin: Origin, tolerance_mm: float, refine_lens: bool) -> dict[str, Any]:
        """The result; with ``refine_lens`` also the lens that the pairs see, null where nothing could be solved."""
        if not refine_lens:
            outcome = solve(self.problem, self.checks, self.placed)
            return result_document(origin, outcome, judge(outcome, tolerance_mm))
        outcome, lens = solve_with_lens(self.problem, self.checks, self.placed)
        document = result_document(origin, outcome, judge(outcome, tolerance_mm))
        return {**document, "refined_lens": json.loads(lens_text(lens)) if document["transform"] else None}
