"""``eyebolt inspect``: what happened in a session, its findings, and whether its files are intact."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from eyebolt.boards import Detection
from eyebolt.cli.solving import SolveOptions, solve_session
from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT
from eyebolt.errors import EyeboltError
from eyebolt.plain_text import sanitize
from eyebolt.protocol import Code, LastReply
from eyebolt.results import ResultDocument, read_result
from eyebolt.session import (
    CaptureRecord,
    Fact,
    ImageFact,
    ReplyFact,
    SessionFact,
    SessionLog,
    decode_facts,
    fold,
    last_reply,
)
from eyebolt.store import SessionFolder, damaged_tails, find_damage

_SNAPSHOT_FILES = (STATION_SNAPSHOT, LENS_SNAPSHOT)
# More than any sentence of this program.
_MAX_SHOWN_CHARACTERS = 600
_UNANSWERED = "no reply yet: a restart of the daemon takes the request up again"


class _Report(BaseModel):
    model_config = ConfigDict(frozen=True)


class CaptureReport(_Report):
    """One capture, check or placed board."""

    pair: int
    """0-based capture index."""
    seq: int
    """Sequence number of the request."""
    verb: str
    """``capture``, ``check`` or ``place``."""
    line: str
    """The request."""
    image: str
    """File name of the image."""
    code: Code | None
    """Reply code; null without a reply."""
    is_kept: bool
    """Counts as a pair."""
    is_undone: bool
    """Taken back with ``undo``."""
    corner_count: int
    """Corners detected."""
    tilt_deg: float | None
    """Tilt of the board, deg."""
    distance_mm: float | None
    """Distance of the board centre, mm."""
    message: str
    """Reason of the reply."""
    remedy: str
    """What to do about it."""
    exclusion_reason: str | None
    """Why the solve excludes the pair; null if it does not."""


class SolveError(_Report):
    """Why a session cannot be solved."""

    code: str
    """Code of the fault."""
    message: str
    """Thing and place."""
    remedy: str
    """What to do about it."""


class SessionReport(_Report):
    """What ``eyebolt inspect`` reports; with ``--json`` as one object."""

    session: str
    """Name of the session."""
    path: str
    """Its folder."""
    is_closed: bool
    """Ended with ``bye``."""
    captures: tuple[CaptureReport, ...]
    """Captures, checks and placed boards in order."""
    touch_count: int
    """Touched corners."""
    damage: tuple[str, ...]
    """Damaged or missing files, a sentence each."""
    damaged_tails: tuple[str, ...]
    """Files to which earlier restarts moved a damaged end of the journal."""
    last_reply: LastReply | None
    """Newest reply."""
    result: ResultDocument | None
    """Result of solving the session now."""
    solve_error: SolveError | None
    """Why it cannot be solved."""


def inspect_session(path: Path) -> SessionReport:
    """The report of the session at ``path``; nothing is written.

    Raises RecordFault ``record-read`` or ``record-version`` without a readable journal.
    """
    folder = SessionFolder.open_read_only(path)
    facts = decode_facts(folder.records, str(folder.path))
    log = fold(facts) or SessionLog(name=path.name)
    result, solve_error = None, None
    try:
        result = solve_session(folder, SolveOptions())
    except EyeboltError as fault:
        solve_error = SolveError(code=fault.code, message=fault.message, remedy=fault.remedy)
    images = [(fact.file, fact.sha256) for fact in facts if isinstance(fact, ImageFact)]
    excluded = {} if result is None else {p.pair: p.reason for p in result.pairs.excluded}
    return SessionReport(
        session=log.name or path.name,
        path=str(path),
        is_closed=log.is_closed,
        captures=tuple(_capture(c, log.replies.get(c.request.seq), excluded) for c in log.captures),
        touch_count=len(log.touches),
        damage=tuple(find_damage(folder, _SNAPSHOT_FILES, images, _recorded_inputs(folder, facts))),
        damaged_tails=tuple(damaged_tails(folder)),
        last_reply=None if log.last_reply is None else last_reply(log.last_reply),
        result=result,
        solve_error=solve_error,
    )


def _recorded_inputs(folder: SessionFolder, facts: Sequence[Fact]) -> Mapping[str, str]:
    """Digests of the configuration files as the session's first fact states them, or else its last result."""
    recorded: Mapping[str, str] = next((fact.inputs for fact in facts if isinstance(fact, SessionFact)), {})
    if not recorded:
        with contextlib.suppress(EyeboltError):
            recorded = read_result(folder.path).inputs
    return recorded


def report_lines(report: SessionReport) -> list[str]:
    """The report as text."""
    captures = report.captures
    kept = sum(1 for c in captures if c.is_kept and c.verb == "capture")
    checks = sum(1 for c in captures if c.is_kept and c.verb == "check")
    refused = sum(1 for c in captures if c.code is not None and not c.is_kept and not c.is_undone)
    undone = sum(1 for c in captures if c.is_undone)
    lines = [
        f"session {_words(report.session)}, {'closed' if report.is_closed else 'not closed'}",
        f"images: {len(captures)}; pairs kept: {kept}, checks: {checks}, refused: {refused}, undone: {undone};"
        f" touches: {report.touch_count}",
        "",
        f"{'pair':>4} {'request':>7} {'verb':<8}{'code':>4} {'corners':>7} {'tilt':>5} {'distance':>9}  reply",
    ]
    lines += [_capture_row(capture) for capture in captures]
    lines += ["", *_result_lines(report), ""]
    if report.damaged_tails:
        lines.append(f"an earlier restart moved a damaged end of the journal to {', '.join(report.damaged_tails)}")
    if report.damage:
        lines += ["DAMAGED:", *(f"  {_words(sentence)}" for sentence in report.damage)]
    else:
        lines.append("the record is intact: journal, images and configuration files are as they were written")
    return lines


def _capture(capture: CaptureRecord, reply: ReplyFact | None, excluded: Mapping[int, str]) -> CaptureReport:
    view = None if capture.detection_fact is None else capture.detection_fact.view
    # The seq may have been used again for another line after this capture could not be recorded.
    own_reply = reply if reply is not None and reply.request == capture.request else None
    without_reply = _UNANSWERED if capture.code is None else ""
    return CaptureReport(
        pair=capture.index,
        seq=capture.request.seq,
        verb=capture.verb,
        line=capture.request.line,
        image=capture.image.file,
        code=capture.code,
        is_kept=capture.is_kept,
        is_undone=capture.is_undone,
        corner_count=len(capture.detection.ids) if isinstance(capture.detection, Detection) else 0,
        tilt_deg=None if view is None else view.tilt_deg,
        distance_mm=None if view is None else view.distance_mm,
        message=without_reply if own_reply is None else own_reply.message,
        remedy="" if own_reply is None else own_reply.remedy,
        exclusion_reason=excluded.get(capture.index),
    )


def _capture_row(capture: CaptureReport) -> str:
    code = "-" if capture.code is None else str(int(capture.code))
    tilt = "-" if capture.tilt_deg is None else f"{capture.tilt_deg:.0f}deg"
    distance = "-" if capture.distance_mm is None else f"{capture.distance_mm:.0f} mm"
    notes = " (undone)" if capture.is_undone else ""
    if capture.exclusion_reason:
        notes += f"; excluded: {capture.exclusion_reason}"
    return (
        f"{capture.pair:>4} {capture.seq:>7} {capture.verb:<8}{code:>4} {capture.corner_count:>7}"
        f" {tilt:>5} {distance:>9}  {_words(capture.message)}{notes}"
    )


def _words(recorded: str) -> str:
    """Recorded words on one short line: neither blanks nor length can make a part of them look like another line."""
    text = sanitize(recorded)
    return text if len(text) <= _MAX_SHOWN_CHARACTERS else text[: _MAX_SHOWN_CHARACTERS - 3] + "..."


def _result_lines(report: SessionReport) -> list[str]:
    if report.solve_error is not None:
        return [f"it cannot be solved: {report.solve_error.message}: {report.solve_error.remedy}"]
    if report.result is None:
        return []
    lines = [f"solved now: {report.result.acceptance} - {report.result.reason}"]
    for finding in report.result.findings:
        evidence = ", ".join(
            f"{name} {'-' if value is None else format(value, '.4g')}" for name, value in finding.evidence.items()
        )
        lines.append(f"{finding.severity} {finding.code}: {finding.message}")
        lines += [f"    evidence: {evidence}"] if evidence else []
        lines.append(f"    what to do: {finding.remedy}")
    return lines if report.result.findings else [*lines, "no finding"]
