"""``eyebolt inspect``: what happened in a session, what the pairs say is wrong, and whether its files are whole."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from eyebolt.boards import Detection
from eyebolt.cli.solving import SolveOptions, solve_session
from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT
from eyebolt.errors import EyeboltError
from eyebolt.session import CaptureRecord, SessionLog, fold
from eyebolt.store import SessionFolder, damaged_tails, find_damage

_SNAPSHOT_FILES = (STATION_SNAPSHOT, LENS_SNAPSHOT)
_NOT_ANSWERED = "not answered: a restart takes it up again"


def inspect_session(path: Path) -> dict[str, Any]:
    """The session at ``path`` as one value; the record is not changed.

    Keys: ``session``, ``path``, ``closed``, ``captures`` (see ``_capture``), ``touches``, ``damage`` and
    ``damaged_tails``, ``last``, ``result`` of solving it now (null if it cannot be; ``solve_error`` says why).
    Raises RecordFault ``record-read`` or ``record-version`` if there is no journal to read.
    """
    folder = SessionFolder.view(path)
    log = fold(folder.records) or SessionLog(name=path.name)
    try:
        result, solve_error = solve_session(folder, SolveOptions()), None
    except EyeboltError as fault:
        result, solve_error = None, f"{fault.message}: {fault.remedy}"
    detections_by_index = {fact["index"]: fact for fact in folder.records if fact.get("type") == "detection"}
    words = {fact["seq"]: fact for fact in folder.records if fact.get("type") == "reply"}
    excluded = {} if result is None else {p["pair"]: p["reason"] for p in result["pairs"]["excluded"]}
    return {
        "session": log.name or path.name,
        "path": str(path),
        "closed": log.closed,
        "captures": [
            _capture(t, detections_by_index.get(t.index, {}), words.get(t.seq, {}), excluded) for t in log.captures
        ],
        "touches": len(log.touch_records),
        "damage": find_damage(folder, _SNAPSHOT_FILES),
        "damaged_tails": damaged_tails(folder),
        "last_reply": None if log.last_reply is None else dict(log.last_reply),
        "result": result,
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


def _capture(
    captures: CaptureRecord, detection: Mapping[str, Any], answer: Mapping[str, Any], excluded: Mapping[int, str]
) -> Any:
    view = detection.get("view") or {}
    is_current = answer.get("text") == captures.text
    return {
        "pair": captures.index,
        "seq": captures.seq,
        "verb": captures.kind,
        "text": captures.text,
        "image": captures.image_name,
        "code": captures.code,
        "kept": captures.kept,
        "undone": captures.undone,
        "corners": len(captures.detection.ids) if isinstance(captures.detection, Detection) else 0,
        "tilt_deg": view.get("tilt_deg"),
        "distance_mm": view.get("distance_mm"),
        "message": answer.get("message", "") if is_current else _NOT_ANSWERED if captures.code is None else "",
        "remedy": answer.get("remedy", "") if is_current else "",
        "excluded": excluded.get(captures.index),
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
