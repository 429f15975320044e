"""What came of a replay, in a few lines for somebody who is tired."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.results import ResultDocument
from eyebolt_sim.replay.line_faults import ReplayFault
from eyebolt_sim.replay.recording import RecordedSession
from eyebolt_sim.replay.result_comparison import RELATIVE_TOLERANCE, Difference, differences, renumber_pairs
from eyebolt_sim.replay.robot import Played

_MAX_DIFFERENCES = 6
_MAX_VALUE_CHARACTERS = 60


@dataclass(frozen=True)
class Report:
    """``played``: every line; ``result`` and ``pictures``: what there is now, ``pictures`` None if it was not counted.

    ``how``: what it was played against, in words.
    """

    session: RecordedSession
    how: str
    played: Sequence[Played]
    result: ResultDocument | None
    pictures: int | None = None

    @property
    def result_differences(self) -> list[Difference]:
        """Where the result differs, also by less than computers do; empty if one of the two is missing."""
        if self.session.result is None or self.result is None:
            return []
        return differences(renumber_pairs(self.session.result, self.session.pictures), self.result.to_json())

    @property
    def same_result(self) -> bool:
        """Whether the result on record came out again; true if there is none on record."""
        if self.session.result is None:
            return True
        return self.result is not None and all(d.relative <= RELATIVE_TOLERANCE for d in self.result_differences)

    @property
    def same_pictures(self) -> bool:
        """Whether no picture more or less was taken."""
        return self.pictures is None or self.pictures == len(self.session.pictures)

    @property
    def injected(self) -> list[ReplayFault]:
        """The faults laid over it, each once."""
        return list(dict.fromkeys(entry.fault for entry in self.played if entry.fault is not None))

    @property
    def same(self) -> bool:
        """Whether every decision, the result, and what holds under each fault came out again."""
        return all(entry.as_expected for entry in self.played) and self.same_result and self.same_pictures

    def lines(self) -> Iterator[str]:
        """The report."""
        session, station = self.session, self.session.context.station.station
        counts = f"{len(session.lines)} lines, {len(session.pictures)} pictures"
        yield f"session {session.name} of station {station.name}: {counts}"
        yield f"played {self.how}"
        if session.folder.loss:
            yield f"the record is damaged at its end, only what is whole was played: {session.folder.loss}"
        yield ""
        yield from self._decisions()
        yield from self._faults()
        yield from self._result()
        if not self.same_pictures:
            yield f"PICTURES: {self.pictures} were taken, {len(session.pictures)} are on record"
        yield "SAME as recorded" if self.same else "NOT the same as recorded"

    def _decisions(self) -> Iterator[str]:
        different = [entry for entry in self.played if not entry.matches_recording]
        if not different:
            yield f"decisions: all {len(self.played)} as recorded (code, count, aux)"
            return
        yield f"DECISIONS: {len(different)} of {len(self.played)} differ (code, count, aux)"
        yield f"  {'line':>4}  {'request':<14}{'recorded':<14}now"
        for entry in different:
            request = " ".join(entry.line.text.split(" ")[:2])
            now = " then ".join(str(reply) for reply in dict.fromkeys(entry.replies))
            yield f"  {entry.line.number:>4}  {request:<14}{entry.line.reply!s:<14}{now}"

    def _faults(self) -> Iterator[str]:
        for fault in self.injected:
            affected = [entry for entry in self.played if entry.fault is fault]
            broken = [str(entry.line.number) for entry in affected if not entry.as_expected]
            outcome = f"NOT so at line {', '.join(broken)}" if broken else "so it was"
            yield f"fault {fault.name} over line {', '.join(str(entry.line.number) for entry in affected)}: {fault.description}"
            yield f"  to come of it: {fault.expectation}; {outcome}"

    def _result(self) -> Iterator[str]:
        recorded, differences_found = self.session.result, self.result_differences
        if recorded is None:
            yield "result: there is none on record" + ("" if self.result is None else "; now there is one")
            return
        if self.result is None:
            yield "RESULT: there is one on record, now there is none"
            return
        if not differences_found:
            yield "result: the same to the last digit"
        elif self.same_result:
            worst = max(differences_found, key=lambda d: d.relative)
            yield f"result: the same within {RELATIVE_TOLERANCE:g} ({worst.relative:.1g} at {worst.path})"
            yield "  to the last digit only the computer and the libraries that recorded it give it again"
        else:
            yield from self._result_difference_lines(recorded, self.result)
        by, here = recorded.software, self.result.software
        if by != here:
            yield f"  recorded by {by}; this is {here}"

    def _result_difference_lines(self, recorded: ResultDocument, now: ResultDocument) -> Iterator[str]:
        beyond = [d for d in self.result_differences if d.relative > RELATIVE_TOLERANCE]
        yield f"RESULT: differs in {len(beyond)} places"
        before, after = recorded.transform, now.transform
        if before and after:
            distance_mm = float(np.linalg.norm(np.subtract(before.translation_mm, after.translation_mm)))
            if distance_mm:
                yield f"  {before.name} lies {distance_mm:.4g} mm from the recorded one"
        for entry in beyond[:_MAX_DIFFERENCES]:
            yield f"  {entry.path}: recorded {_short(entry.recorded)}, now {_short(entry.now)}"
        if len(beyond) > _MAX_DIFFERENCES:
            yield f"  and {len(beyond) - _MAX_DIFFERENCES} more places"


def _short(value: object) -> str:
    text = str(value)
    return text if len(text) <= _MAX_VALUE_CHARACTERS else f"{text[:_MAX_VALUE_CHARACTERS]}..."
