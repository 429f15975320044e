"""What the commands do without a daemon: new station files, solving again, accepting."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from eyebolt.calibration import (
    AcceptanceStatus,
    PoseConvention,
    Problem,
    Refusal,
    Solution,
    assess_result,
    read_problem,
    solve,
    solve_with_free_intrinsics,
)
from eyebolt.config import station_template
from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT, StationContext, load_context
from eyebolt.errors import EyeboltError, InputFault
from eyebolt.geometry import ANGLE_UNITS_RAD, LENGTH_UNITS_M, ROTATION_KINDS, CameraModel, PoseFormat
from eyebolt.observations import Pair, PlacedBoard
from eyebolt.planning import coverage_after
from eyebolt.results import Provenance, ResultDocument, accept_session, summary, utc_timestamp
from eyebolt.session import SessionLog, decode_facts, fold, pairs_of
from eyebolt.store import SessionFolder

PrintLine = Callable[[str], None]


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


def accept_result(session: Path, accepted_by: str) -> list[str]:
    """Makes a session's result the station's; returns the lines to show."""
    if not accepted_by.strip() or not accepted_by.isprintable() or len(accepted_by) > 80:
        raise InputFault("accept-name", "--by must be a name of 1 to 80 printable characters", "say who accepts it.")
    document = accept_session(session, accepted_by.strip())
    return [*summary(document), f"the station uses this result now: {session.parent / 'accepted.json'}"]


@dataclass(frozen=True)
class SolveOptions:
    """``refine_lens``: the lens is estimated too, and said as ``refined_lens`` in the form of a lens file.

    ``pose_format``: in which terms the robot's numbers of a session are read instead of the station file's.
    """

    refine_lens: bool = False
    pose_format: PoseFormat | None = None


def solve_all(paths: Sequence[Path], as_json: bool, options: SolveOptions, print_line: PrintLine) -> int:
    """Solves each path and says the result; 1 if any could not be read or was rejected, else 0."""
    exit_code = 0
    for path in paths:
        try:
            if path.is_dir():
                document = solve_session(SessionFolder.open_read_only(path), options)
            else:
                document = _solve_problem(path, options)
        except EyeboltError as fault:
            if as_json or not path.is_dir():
                print_line(json.dumps({"session": str(path), **fault.to_json()}))
            else:
                print_line(f"{path}: {fault}")
            exit_code = 1
            continue
        if document.acceptance is AcceptanceStatus.REJECT:
            exit_code = 1
        if as_json or not path.is_dir():
            print_line(json.dumps(document.to_json(), allow_nan=False))
        else:
            print_line(f"{path}")
            for line in summary(document, with_acceptance=False):
                print_line(f"  {line}")
    return exit_code


def solve_session(folder: SessionFolder, options: SolveOptions) -> ResultDocument:
    """The result of a session, solved now with its own station file; nothing is written.

    Raises RecordFault, or InputFault for what cannot be read or solved under ``options``.
    """
    path = folder.path
    context = load_context(path / STATION_SNAPSHOT, path / LENS_SNAPSHOT)
    log = fold(decode_facts(folder.records)) or SessionLog(name=path.name)
    capture_pairs, check_pairs = pairs_of(log.usable), pairs_of(log.checks)
    provenance, problem = _provenance(context, path), context.problem(())
    if options.pose_format is not None:
        terms = PoseConvention(options.pose_format, context.station.flange_T_tool)
        capture_pairs, check_pairs = (_reinterpret_poses(pairs, terms) for pairs in (capture_pairs, check_pairs))
        provenance, problem = (
            replace(provenance, pose_format=options.pose_format),
            replace(problem, pose_convention=terms),
        )
    pairs, checks = context.resolve_half_turns(capture_pairs, check_pairs)
    job = _SolveJob(replace(problem, pairs=pairs), checks, log.placed_boards)
    return job.document(provenance, context.station.goal.tolerance_mm, options.refine_lens)


def _reinterpret_poses(pairs: Sequence[Pair], terms: PoseConvention) -> tuple[Pair, ...]:
    """The pairs with the numbers that the robot sent read in other terms."""
    if any(pair.fields is None for pair in pairs):
        raise InputFault(
            "no-pose-numbers",
            "this session was recorded by a version that did not keep the numbers the robot sent",
            "correct the station file and take the pairs anew.",
        )
    return tuple(
        replace(pair, base_T_flange=terms.remove_tool(terms.pose_format.to_matrix(pair.fields or ()))) for pair in pairs
    )


def parse_pose_format(text: str) -> PoseFormat:
    """The reading in ``text``: rotation, angle and length in any order, as in ``euler-ZYX,deg,mm``.

    Raises InputFault ``pose_format`` if a word is none of them.
    """
    found = {"length": "mm", "rotation": "", "angle": "deg"}
    words_by_key = {"length": tuple(LENGTH_UNITS_M), "rotation": ROTATION_KINDS, "angle": tuple(ANGLE_UNITS_RAD)}
    for word in text.replace(",", " ").split():
        key = next((key for key, choices in words_by_key.items() if word in choices), None)
        if key is None:
            raise InputFault(
                "pose-format",
                f"'{word}' is neither a rotation, nor an angle's unit, nor a length's",
                "write for example --reading euler-ZYX,deg,mm with the words of the station file's [robot].",
            )
        found[key] = word
    if not found["rotation"]:
        raise InputFault("pose-format", "--reading names no rotation", "write for example --reading euler-ZYX,deg,mm.")
    return PoseFormat(**found)


def _provenance(context: StationContext, path: Path) -> Provenance:
    station = context.station
    return Provenance(
        station.station.name, path.name, station.station.mount, station.pose_format, context.digests, utc_timestamp()
    )


def _solve_problem(path: Path, options: SolveOptions) -> ResultDocument:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputFault("file-unreadable", f"{path} cannot be read: {error}", "check the path.") from None
    problem, tolerance_mm = read_problem(text, str(path))
    provenance = Provenance("", str(path), problem.mount, PoseFormat(), {}, utc_timestamp())
    return _SolveJob(problem).document(provenance, tolerance_mm, options.refine_lens)


@dataclass(frozen=True)
class _SolveJob:
    """What there is to solve."""

    problem: Problem
    checks: tuple[Pair, ...] = ()
    placed: tuple[PlacedBoard, ...] = ()

    def document(self, provenance: Provenance, tolerance_mm: float, refine_lens: bool) -> ResultDocument:
        """The result; with ``refine_lens`` also the lens that the pairs see, null where nothing could be solved."""
        if not refine_lens:
            outcome = solve(self.problem, self.checks, self.placed)
            return self._document(provenance, outcome, tolerance_mm)
        outcome, lens = solve_with_free_intrinsics(self.problem, self.checks, self.placed)
        return self._document(provenance, outcome, tolerance_mm, None if isinstance(outcome, Refusal) else lens)

    def _document(
        self,
        provenance: Provenance,
        outcome: Solution | Refusal,
        tolerance_mm: float,
        refined_lens: CameraModel | None = None,
    ) -> ResultDocument:
        coverage = coverage_after(self.problem, outcome)
        acceptance = assess_result(outcome, tolerance_mm)
        return ResultDocument.of(provenance, outcome, acceptance, coverage, refined_lens)
