"""``eyebolt inspect``: what happened in a session, what the pairs say is wrong, and whether its files are whole."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from eyebolt.boards import Detection
from eyebolt.cli.solving import SolveOptions, solve_session
from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT
from eyebolt.errors import EyeboltError
from eyebolt.session import CaptureRecord, ImageFact, ReplyFact, SessionLog, decode_facts, fold
from eyebolt.store import SessionFolder, damaged_tails, find_damage

_SNAPSHOT_FILES = (STATION_SNAPSHOT, LENS_SNAPSHOT)
_NOT_ANSWERED = "not answered: a restart takes it up again"


def inspect_session(path: Path) -> dict[str, Any]:
    """The session at ``path`` as one value; the record is not changed.

    Keys: ``session``, ``path``, ``closed``, ``captures`` (see ``_capture``), ``touches``, ``damage`` and
    ``damaged_tails``, ``last``, ``result`` of solving it now (null if it cannot be; ``solve_error`` says why).
    Raises RecordFault ``record-read`` or ``record-version`` if there is no journal to read.
    """
    folder = SessionFolder.open_read_only(path)
    facts = decode_facts(folder.records)
    log = fold(facts) or SessionLog(name=path.name)
    try:
        result, solve_error = solve_session(folder, SolveOptions()), None
    except EyeboltError as fault:
        result, solve_error = None, f"{fault.message}: {fault.remedy}"
    images = [(fact.file, fact.sha256) for fact in facts if isinstance(fact, ImageFact)]
    excluded = {} if result is None else {p.pair: p.reason for p in result.pairs.excluded}
    return {
        "session": log.name or path.name,
        "path": str(path),
        "closed": log.is_closed,
        "captures": [_capture(c, log.replies.get(c.request.seq), excluded) for c in log.captures],
        "touches": len(log.touches),
        "damage": find_damage(folder, _SNAPSHOT_FILES, images),
        "damaged_tails": damaged_tails(folder),
        "last_reply": None if log.last_reply is None else _last_reply(log.last_reply),
        "result": result if result is None else result.to_json(),
        "solve_error": solve_error,
    }


def report_lines(report: Mapping[str, Any]) -> list[str]:
    """The same for people."""
    captures = report["captures"]
    kept = sum(1 for c in captures if c["kept"] and c["verb"] == "capture")
    checks = sum(1 for c in captures if c["kept"] and c["verb"] == "check")
    refused = sum(1 for c in captures if c["code"] is not None and not c["kept"] and not c["undone"])
    undone = sum(1 for c in captures if c["undone"])
    lines = [
        f"session {report['session']}, {'closed' if report['closed'] else 'not closed'}",
        f"{len(captures)} pictures: {kept} pairs kept, {checks} checks, {refused} refused, {undone} taken back;"
        f" {report['touches']} touches",
        "",
        f"{'pair':>4} {'request':>7} {'verb':<8}{'code':>4} {'corners':>7} {'tilt':>5} {'distance':>9}  in words",
    ]
    lines += [_capture_row(capture) for capture in captures]
    lines += ["", *_finding_lines(report), ""]
    if report["damaged_tails"]:
        lines.append(f"an earlier restart moved a damaged end of the journal to {', '.join(report['damaged_tails'])}")
    if report["damage"]:
        lines += ["DAMAGED:", *(f"  {sentence}" for sentence in report["damage"])]
    else:
        lines.append("the record is whole: journal, pictures and kept files are as they were written")
    return lines


def _last_reply(reply: ReplyFact) -> dict[str, Any]:
    return {"seq": reply.request.seq, **reply.model_dump(include={"code", "message", "remedy", "measure"})}


def _capture(capture: CaptureRecord, reply: ReplyFact | None, excluded: Mapping[int, str]) -> Any:
    view = None if capture.detection_fact is None else capture.detection_fact.view
    # The seq may have been used again for another line after this capture could not be recorded.
    own_reply = reply if reply is not None and reply.request == capture.request else None
    not_answered = _NOT_ANSWERED if capture.code is None else ""
    return {
        "pair": capture.index,
        "seq": capture.request.seq,
        "verb": capture.verb,
        "text": capture.request.line,
        "image": capture.image.file,
        "code": capture.code,
        "kept": capture.is_kept,
        "undone": capture.is_undone,
        "corners": len(capture.detection.ids) if isinstance(capture.detection, Detection) else 0,
        "tilt_deg": None if view is None else view.tilt_deg,
        "distance_mm": None if view is None else view.distance_mm,
        "message": not_answered if own_reply is None else own_reply.message,
        "remedy": "" if own_reply is None else own_reply.remedy,
        "excluded": excluded.get(capture.index),
    }


def _capture_row(capture: Mapping[str, Any]) -> str:
    code = "-" if capture["code"] is None else str(capture["code"])
    tilt = "-" if capture["tilt_deg"] is None else f"{capture['tilt_deg']:.0f}deg"
    distance = "-" if capture["distance_mm"] is None else f"{capture['distance_mm']:.0f} mm"
    words = capture["message"] or ""
    if capture["undone"]:
        words += " (taken back)"
    if capture["excluded"]:
        words += f"; left out: {capture['excluded']}"
    return (
        f"{capture['pair']:>4} {capture['seq']:>7} {capture['verb']:<8}{code:>4} {capture['corners']:>7}"
        f" {tilt:>5} {distance:>9}  {words}"
    )


def _finding_lines(report: Mapping[str, Any]) -> list[str]:
    result = report["result"]
    if result is None:
        return [f"it cannot be solved: {report['solve_error']}"]
    lines = [f"solved now: {result['acceptance']} - {result['reason']}"]
    for finding in result["findings"]:
        evidence = ", ".join(f"{name} {value:.4g}" for name, value in finding["evidence"].items())
        lines.append(f"{finding['severity']} {finding['code']}: {finding['message']}")
        lines += [f"    seen: {evidence}"] if evidence else []
        lines.append(f"    what to do: {finding['remedy']}")
    return lines if result["findings"] else [*lines, "no finding"]
