"""The commands that work without a daemon: solving again, accepting a result."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from eyebolt.bounded_file import read_bounded
from eyebolt.calibration import AcceptanceStatus, ResultFormat, assess_result, read_problem
from eyebolt.cli.runner import EXIT_FAULT
from eyebolt.context import StationContext, load_session, solve_problem
from eyebolt.errors import EyeboltError, InputFault, reading_remedy
from eyebolt.geometry import ANGLE_UNITS_RAD, LENGTH_UNITS_M, ROTATION_KINDS, PoseFormat
from eyebolt.observations import Dataset
from eyebolt.results import (
    ACCEPTED_NAME,
    REPLACED_NAME,
    Provenance,
    ResultDocument,
    accept_session,
    build_result,
    summary,
    utc_timestamp,
)
from eyebolt.store import SessionFolder

PrintLine = Callable[[str], None]

_MAX_NAME_LENGTH = 80
# A thousand pairs of a thousand corners have 50 MB.
_MAX_PROBLEM_BYTES = 1 << 28
_POSE_FORMAT_EXAMPLE = "--pose-format euler-ZYX,deg,mm"


def accept_result(session: Path, accepted_by: str, incomplete: bool = False, few_pairs: bool = False) -> list[str]:
    """Makes the result of a session the station's; returns the lines to print.

    ``incomplete``: also one that the robot is not given yet; ``few_pairs``: also one of fewer pairs than [goal]
    min_pairs.
    """
    name = accepted_by.strip()
    if not name or not accepted_by.isprintable() or len(accepted_by) > _MAX_NAME_LENGTH:
        raise InputFault(
            "accept-name",
            f"--by must be a name of 1 to {_MAX_NAME_LENGTH} printable characters",
            "give the name of the person who accepts the result.",
        )
    accepted = accept_session(session, name, incomplete=incomplete, few_pairs=few_pairs)
    lines = summary(accepted.document)
    if accepted.replaced is not None and accepted.replaced.accepted is not None:
        earlier = accepted.replaced.accepted
        lines.append(
            f"it replaces the result of session {accepted.replaced.session}, accepted by {earlier.by} at"
            f" {earlier.timestamp} (noted in {accepted.record_folder / REPLACED_NAME})"
        )
    lines.append(f"the station uses this result from now on: {accepted.record_folder / ACCEPTED_NAME}")
    if accepted.document.incomplete is not None:
        gap = accepted.document.incomplete
        lines.append(f"the robot is not given it yet (36): {gap.message}. What to do: {gap.remedy}")
    return lines


@dataclass(frozen=True)
class SolveOptions:
    """Options of ``eyebolt solve``."""

    refine_lens: bool = False
    """Estimate the lens jointly with the transform."""
    pose_format: PoseFormat | None = None
    """Format in which the poses of a session are read; None for that of its station file."""


def solve_all(paths: Sequence[Path], as_json: bool, options: SolveOptions, print_line: PrintLine) -> int:
    """Solves each path and prints its result; exit code 1 if one cannot be read or is rejected, else 0."""
    exit_code = 0
    for path in paths:
        # A problem file comes from a program, and goes back to one.
        for_program = as_json or not path.is_dir()
        try:
            document = _solve(path, options)
        except EyeboltError as fault:
            exit_code = EXIT_FAULT
            if for_program:
                print_line(json.dumps({"session": str(path), **fault.to_json()}))
            else:
                first, *rest = str(fault).split("\n")
                for line in (f"{path}: {first}", *rest):
                    print_line(line)
            continue
        if document.acceptance is AcceptanceStatus.REJECT:
            exit_code = EXIT_FAULT
        if for_program:
            print_line(json.dumps(document.to_json(), allow_nan=False))
        else:
            print_line(f"{path}")
            for line in summary(document, with_acceptance=False):
                print_line(f"  {line}")
    return exit_code


def _solve(path: Path, options: SolveOptions) -> ResultDocument:
    return (
        solve_session(SessionFolder.open_read_only(path), options)
        if path.is_dir()
        else _solve_problem_file(path, options)
    )


def solve_session(folder: SessionFolder, options: SolveOptions) -> ResultDocument:
    """The result of a session, solved now with its own station file; nothing is written.

    Raises RecordFault, or InputFault for what cannot be read or solved under ``options``.
    """
    session = load_session(folder)
    context, dataset = session.context, session.log.dataset
    if options.pose_format is not None:
        context = context.with_pose_format(options.pose_format)
        dataset = _reinterpret_poses(context, dataset)
    solved = context.solve(dataset, options.refine_lens)
    goal = context.station.goal
    acceptance = assess_result(solved.outcome, goal.tolerance_mm, goal.tolerance_of)
    name, coverage, lens = folder.path.name, solved.coverage, solved.refined_lens
    return build_result(context, name, dataset, solved.outcome, acceptance, coverage, lens)


def _reinterpret_poses(context: StationContext, dataset: Dataset) -> Dataset:
    """The poses read in the format of ``--pose-format``; a format that does not fit is a fault of this option."""
    try:
        return context.reinterpret_poses(dataset)
    except InputFault as fault:
        if fault.code != "pose-numbers":
            raise
        count = fault.data.get("count")
        kinds = "another format" if count is None else f"a format with {count} numbers"
        raise InputFault(fault.code, fault.message, f"choose {kinds} for --pose-format.", **fault.data) from None


def _solve_problem_file(path: Path, options: SolveOptions) -> ResultDocument:
    try:
        text = read_bounded(path, _MAX_PROBLEM_BYTES, allow_pipe=True).decode("utf-8")
    except OSError as error:
        remedy = reading_remedy(error) or "name the folder of a session, or a problem file."
        raise InputFault("file-unreadable", f"{path} cannot be read: {error.strerror}", remedy) from None
    except UnicodeDecodeError as error:
        message = f"{path} is not a text file in UTF-8 (byte {error.start})"
        raise InputFault("file-unreadable", message, "save it as UTF-8 text.") from None
    problem, goal = read_problem(text, str(path))
    solved = solve_problem(problem, Dataset(tuple(problem.pairs)), options.refine_lens)
    result_format = ResultFormat(PoseFormat(), problem.grid, goal.tolerance_mm)
    provenance = Provenance(
        "", str(path), problem.mount, result_format, {}, utc_timestamp(), tolerance_of=goal.tolerance_of
    )
    acceptance = assess_result(solved.outcome, goal.tolerance_mm, goal.tolerance_of)
    return ResultDocument.of(provenance, solved.outcome, acceptance, solved.coverage, solved.refined_lens)


def parse_pose_format(text: str) -> PoseFormat:
    """The pose format in ``text``: rotation, angle unit and length unit in any order, as in ``euler-ZYX,deg,mm``.

    Raises InputFault ``pose-format`` for an unknown word or without a rotation.
    """
    found = {"length": "mm", "rotation": "", "angle": "deg"}
    words_by_key = {"length": tuple(LENGTH_UNITS_M), "rotation": ROTATION_KINDS, "angle": tuple(ANGLE_UNITS_RAD)}
    for word in text.replace(",", " ").split():
        key = next((key for key, choices in words_by_key.items() if word in choices), None)
        if key is None:
            raise InputFault(
                "pose-format",
                f"'{word}' is neither a rotation nor the unit of an angle or a length",
                f"write for example {_POSE_FORMAT_EXAMPLE}, with the words of the station file's [robot].",
            )
        found[key] = word
    if not found["rotation"]:
        raise InputFault("pose-format", "--pose-format names no rotation", f"write for example {_POSE_FORMAT_EXAMPLE}.")
    return PoseFormat(**found)
