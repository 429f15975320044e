"""What the commands do without a daemon: new station files, solving again, accepting."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from eyebolt.calibration import PoseTerms, Problem, Refusal, Solution, judge, read_problem, solve, solve_with_lens
from eyebolt.config import lens_text, station_template
from eyebolt.context import LENS_KEEPSAKE, STATION_KEEPSAKE, StationInputs, read_inputs
from eyebolt.errors import EyeboltError, InputFault
from eyebolt.geometry import ANGLE_UNITS_RAD, LENGTH_UNITS_M, ROTATION_KINDS, PoseReading
from eyebolt.observations import Pair, PlacedBoard
from eyebolt.planning import knowledge_after
from eyebolt.results import Origin, accept_session, result_document, summary, wall_now
from eyebolt.session import Log, fold, pairs_of
from eyebolt.store import SessionFolder

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


def accept_result(session: Path, by: str) -> list[str]:
    """Makes a session's result the station's; returns the lines to show."""
    if not by.strip() or not by.isprintable() or len(by) > 80:
        raise InputFault("accept-name", "--by must be a name of 1 to 80 printable characters", "say who accepts it.")
    document = accept_session(session, by.strip())
    return [*summary(document), f"the station uses this result now: {session.parent / 'accepted.json'}"]


@dataclass(frozen=True)
class SolveOptions:
    """``refine_lens``: the lens is estimated too, and said as ``refined_lens`` in the form of a lens file.

    ``reading``: in which terms the robot's numbers of a session are read instead of the station file's.
    """

    refine_lens: bool = False
    reading: PoseReading | None = None


def solve_all(paths: Sequence[Path], as_json: bool, options: SolveOptions, say: Say) -> int:
    """Solves each path and says the result; 1 if any could not be read or was rejected, else 0."""
    status = 0
    for path in paths:
        try:
            if path.is_dir():
                document = solved_document(SessionFolder.view(path), options)
            else:
                document = _solve_problem(path, options)
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


def solved_document(folder: SessionFolder, options: SolveOptions) -> dict[str, Any]:
    """The result of a session, solved now with its own station file; nothing is written.

    Raises RecordFault, or InputFault for what cannot be read or solved under ``options``.
    """
    path = folder.path
    inputs = read_inputs(path / STATION_KEEPSAKE, path / LENS_KEEPSAKE)
    log = fold(folder.records) or Log(name=path.name)
    taken, kept_aside = pairs_of(log.solvable), pairs_of(log.checks)
    origin, problem = _origin(inputs, path), inputs.problem(())
    if options.reading is not None:
        terms = PoseTerms(options.reading, inputs.station.flange_T_tool)
        taken, kept_aside = (_read_anew(pairs, terms) for pairs in (taken, kept_aside))
        origin, problem = replace(origin, reading=options.reading), replace(problem, terms=terms)
    pairs, checks = inputs.numbered_alike(taken, kept_aside)
    job = _Job(replace(problem, pairs=pairs), checks, log.placed)
    return job.document(origin, inputs.station.goal.tolerance_mm, options.refine_lens)


def _read_anew(pairs: Sequence[Pair], terms: PoseTerms) -> tuple[Pair, ...]:
    """The pairs with the numbers that the robot sent read in other terms."""
    if any(pair.fields is None for pair in pairs):
        raise InputFault(
            "no-pose-numbers",
            "this session was recorded by a version that did not keep the numbers the robot sent",
            "correct the station file and take the pairs anew.",
        )
    return tuple(
        replace(pair, base_T_flange=terms.flange_of(terms.reading.to_matrix(pair.fields or ()))) for pair in pairs
    )


def parse_reading(text: str) -> PoseReading:
    """The reading in ``text``: rotation, angle and length in any order, as in ``euler-ZYX,deg,mm``.

    Raises InputFault ``reading`` if a word is none of them.
    """
    found = {"length": "mm", "rotation": "", "angle": "deg"}
    allowed = {"length": tuple(LENGTH_UNITS_M), "rotation": ROTATION_KINDS, "angle": tuple(ANGLE_UNITS_RAD)}
    for word in text.replace(",", " ").split():
        key = next((key for key, words in allowed.items() if word in words), None)
        if key is None:
            raise InputFault(
                "reading",
                f"'{word}' is neither a rotation, nor an angle's unit, nor a length's",
                "write for example --reading euler-ZYX,deg,mm with the words of the station file's [robot].",
            )
        found[key] = word
    if not found["rotation"]:
        raise InputFault("reading", "--reading names no rotation", "write for example --reading euler-ZYX,deg,mm.")
    return PoseReading(**found)


def _origin(inputs: StationInputs, path: Path) -> Origin:
    station = inputs.station
    return Origin(station.station.name, path.name, station.station.mount, station.reading, inputs.digests, wall_now())


def _solve_problem(path: Path, options: SolveOptions) -> dict[str, Any]:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputFault("file-unreadable", f"{path} cannot be read: {error}", "check the path.") from None
    problem, tolerance_mm = read_problem(text, str(path))
    origin = Origin("", str(path), problem.mount, PoseReading(), {}, wall_now())
    return _Job(problem).document(origin, tolerance_mm, options.refine_lens)


@dataclass(frozen=True)
class _Job:
    """What there is to solve."""

    problem: Problem
    checks: tuple[Pair, ...] = ()
    placed: tuple[PlacedBoard, ...] = ()

    def document(self, origin: Origin, tolerance_mm: float, refine_lens: bool) -> dict[str, Any]:
        """The result; with ``refine_lens`` also the lens that the pairs see, null where nothing could be solved."""
        if not refine_lens:
            outcome = solve(self.problem, self.checks, self.placed)
            return self._document(origin, outcome, tolerance_mm)
        outcome, lens = solve_with_lens(self.problem, self.checks, self.placed)
        document = self._document(origin, outcome, tolerance_mm)
        return {**document, "refined_lens": json.loads(lens_text(lens)) if document["transform"] else None}

    def _document(self, origin: Origin, outcome: Solution | Refusal, tolerance_mm: float) -> dict[str, Any]:
        known = knowledge_after(self.problem, outcome)
        return result_document(origin, outcome, judge(outcome, tolerance_mm), known)
