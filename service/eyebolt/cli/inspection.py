"""``eyebolt inspect``: what happened in a session, what the pairs say is wrong, and whether its files are whole."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from eyebolt.boards import Sighting
from eyebolt.cli.solving import SolveOptions, solved_document
from eyebolt.context import LENS_KEEPSAKE, STATION_KEEPSAKE
from eyebolt.errors import EyeboltError
from eyebolt.session import Log, Taken, fold
from eyebolt.store import SessionFolder, damage_of, set_aside

_KEEPSAKES = (STATION_KEEPSAKE, LENS_KEEPSAKE)
_NOT_ANSWERED = "not answered: a restart takes it up again"


def inspect_session(path: Path) -> dict[str, Any]:
    """The session at ``path`` as one value; the record is not changed.

    Keys: ``session``, ``path``, ``closed``, ``captures`` (see ``_capture``), ``touches``, ``damage`` and
    ``set_aside``, ``last``, ``result`` of solving it now (null if it cannot be; ``unsolvable`` says why).
    Raises RecordFault ``record-read`` or ``record-version`` if there is no journal to read.
    """
    folder = SessionFolder.view(path)
    log = fold(folder.records) or Log(name=path.name)
    try:
        result, unsolvable = solved_document(folder, SolveOptions()), None
    except EyeboltError as fault:
        result, unsolvable = None, f"{fault.message}: {fault.remedy}"
    by_index = {fact["index"]: fact for fact in folder.records if fact.get("fact") == "seen"}
    words = {fact["seq"]: fact for fact in folder.records if fact.get("fact") == "answer"}
    left_out = {} if result is None else {p["pair"]: p["reason"] for p in result["pairs"]["left_out"]}
    return {
        "session": log.name or path.name,
        "path": str(path),
        "closed": log.closed,
        "captures": [_capture(t, by_index.get(t.index, {}), words.get(t.seq, {}), left_out) for t in log.taken],
        "touches": len(log.touched),
        "damage": damage_of(folder, _KEEPSAKES),
        "set_aside": set_aside(folder),
        "last": None if log.last_words is None else dict(log.last_words),
        "result": result,
        "unsolvable": unsolvable,
    }


def lines_of(found: Mapping[str, Any]) -> list[str]:
    """The same for people."""
    captures = found["captures"]
    kept = sum(1 for c in captures if c["kept"] and c["kind"] == "capture")
    checks = sum(1 for c in captures if c["kept"] and c["kind"] == "check")
    refused = sum(1 for c in captures if c["code"] is not None and not c["kept"] and not c["undone"])
    undone = sum(1 for c in captures if c["undone"])
    lines = [
        f"session {found['session']}, {'closed' if found['closed'] else 'not closed'}",
        f"{len(captures)} pictures: {kept} pairs kept, {checks} checks, {refused} refused, {undone} taken back;"
        f" {found['touches']} touches",
        "",
        f"{'pair':>4} {'request':>7} {'kind':<8}{'code':>4} {'corners':>7} {'tilt':>5} {'distance':>9}  in words",
    ]
    lines += [_row(capture) for capture in captures]
    lines += ["", *_findings(found), ""]
    if found["set_aside"]:
        lines.append(f"an earlier restart moved a damaged end of the journal to {', '.join(found['set_aside'])}")
    if found["damage"]:
        lines += ["DAMAGED:", *(f"  {sentence}" for sentence in found["damage"])]
    else:
        lines.append("the record is whole: journal, pictures and kept files are as they were written")
    return lines


def _capture(taken: Taken, seen: Mapping[str, Any], answer: Mapping[str, Any], left_out: Mapping[int, str]) -> Any:
    view = seen.get("view") or {}
    same = answer.get("text") == taken.text
    return {
        "pair": taken.index,
        "seq": taken.seq,
        "kind": taken.kind,
        "text": taken.text,
        "picture": taken.picture,
        "code": taken.code,
        "kept": taken.kept,
        "undone": taken.undone,
        "corners": len(taken.seen.ids) if isinstance(taken.seen, Sighting) else 0,
        "tilt_deg": view.get("tilt_deg"),
        "distance_mm": view.get("distance_mm"),
        "says": answer.get("says", "") if same else _NOT_ANSWERED if taken.code is None else "",
        "advice": answer.get("advice", "") if same else "",
        "left_out": left_out.get(taken.index),
    }


def _row(capture: Mapping[str, Any]) -> str:
    code = "-" if capture["code"] is None else str(capture["code"])
    tilt = "-" if capture["tilt_deg"] is None else f"{capture['tilt_deg']:.0f}deg"
    distance = "-" if capture["distance_mm"] is None else f"{capture['distance_mm']:.0f} mm"
    words = capture["says"] or ""
    if capture["undone"]:
        words += " (taken back)"
    if capture["left_out"]:
        words += f"; left out: {capture['left_out']}"
    return (
        f"{capture['pair']:>4} {capture['seq']:>7} {capture['kind']:<8}{code:>4} {capture['corners']:>7}"
        f" {tilt:>5} {distance:>9}  {words}"
    )


def _findings(found: Mapping[str, Any]) -> list[str]:
    result = found["result"]
    if result is None:
        return [f"it cannot be solved: {found['unsolvable']}"]
    lines = [f"solved now: {result['verdict']} - {result['why']}"]
    for finding in result["findings"]:
        evidence = ", ".join(f"{name} {value:.4g}" for name, value in finding["evidence"].items())
        lines.append(f"{finding['severity']} {finding['code']}: {finding['says']}")
        lines += [f"    seen: {evidence}"] if evidence else []
        lines.append(f"    what to do: {finding['remedy']}")
    return lines if result["findings"] else [*lines, "no finding"]
