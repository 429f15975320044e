"""The report of a replay, in a few lines of text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.results import ResultDocument
from eyebolt_sim.replay.faults import ReplayFault
from eyebolt_sim.replay.recording import RecordedSession
from eyebolt_sim.replay.result_comparison import RELATIVE_TOLERANCE, Difference, differences, renumber_pairs
from eyebolt_sim.replay.robot import Played

_MAX_DIFFERENCES = 6
_MAX_VALUE_CHARACTERS = 60


@dataclass(frozen=True)
class Report:
    """A replay compared with its recording."""

    session: RecordedSession
    """the recording"""
    method: str
    """how it was replayed, in words"""
    played: Sequence[Played]
    """every line with its replies"""
    result: ResultDocument | None
    """the result of the replay; None without one"""
    image_count: int | None = None
    """number of images recorded by the replay; None where none are recorded"""

    @property
    def result_differences(self) -> list[Difference]:
        """Differences of the results, including those within the tolerance; empty if one of the two is missing."""
        if self.session.result is None or self.result is None:
            return []
        return differences(renumber_pairs(self.session.result, self.session.image_indices), self.result.to_json())

    @property
    def same_result(self) -> bool:
        """Whether the results agree within the tolerance; True if none is recorded."""
        if self.session.result is None:
            return True
        return self.result is not None and all(d.relative <= RELATIVE_TOLERANCE for d in self.result_differences)

    @property
    def same_image_count(self) -> bool:
        """Whether the replay recorded as many images as the recording has."""
        return self.image_count is None or self.image_count == len(self.session.image_indices)

    @property
    def injected(self) -> list[ReplayFault]:
        """The injected faults, each once."""
        return list(dict.fromkeys(entry.fault for entry in self.played if entry.fault is not None))

    @property
    def same(self) -> bool:
        """Whether every reply, the result and the number of images agree, and every promise about a fault holds."""
        return all(entry.as_expected for entry in self.played) and self.same_result and self.same_image_count

    def lines(self) -> Iterator[str]:
        """The report, line by line."""
        session, station = self.session, self.session.context.station.station
        counts = f"{len(session.lines)} lines, {len(session.image_indices)} images"
        yield f"session {session.name} of station {station.name}: {counts}"
        yield f"replayed {self.method}"
        if session.folder.loss:
            yield f"the record is damaged at its end, only the intact part was replayed: {session.folder.loss}"
        yield ""
        yield from self._decisions()
        yield from self._faults()
        yield from self._result()
        if not self.same_image_count:
            yield f"IMAGES: {self.image_count} now, {len(session.image_indices)} in the recording"
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
            numbers = ", ".join(str(entry.line.number) for entry in affected)
            yield f"fault {fault.name} at line {numbers}: {fault.description}"
            outcome = f"VIOLATED at line {', '.join(broken)}" if broken else "met"
            yield f"  expected: {fault.expectation}; {outcome}"

    def _result(self) -> Iterator[str]:
        recorded, differences_found = self.session.result, self.result_differences
        if recorded is None:
            yield "result: none is recorded" + ("" if self.result is None else "; the replay has one")
            return
        if self.result is None:
            yield "RESULT: one is recorded, the replay has none"
            return
        if not differences_found:
            yield "result: identical to the last digit"
        elif self.same_result:
            largest = max(differences_found, key=lambda d: d.relative)
            yield f"result: the same within {RELATIVE_TOLERANCE:g} ({largest.relative:.1g} at {largest.path})"
            yield "  identical digits require the processor and the libraries of the recording"
        else:
            yield from self._result_difference_lines(recorded, self.result)
        if recorded.software != self.result.software:
            yield f"  recorded by {recorded.software}; replayed by {self.result.software}"

    def _result_difference_lines(self, recorded: ResultDocument, now: ResultDocument) -> Iterator[str]:
        beyond = [d for d in self.result_differences if d.relative > RELATIVE_TOLERANCE]
        yield f"RESULT: differs at {len(beyond)} keys"
        before, after = recorded.transform, now.transform
        if before and after:
            # A number that nothing determines is null.
            translations_mm = np.array([before.translation_mm, after.translation_mm], dtype=float)
            distance_mm = float(np.linalg.norm(np.nan_to_num(translations_mm[0] - translations_mm[1])))
            if distance_mm:
                yield f"  {before.name}: translation differs by {distance_mm:.4g} mm"
        for entry in beyond[:_MAX_DIFFERENCES]:
            yield f"  {entry.path}: recorded {_short(entry.recorded)}, now {_short(entry.now)}"
        if len(beyond) > _MAX_DIFFERENCES:
            yield f"  and at {len(beyond) - _MAX_DIFFERENCES} more keys"


def _short(value: object) -> str:
    text = str(value)
    return text if len(text) <= _MAX_VALUE_CHARACTERS else f"{text[:_MAX_VALUE_CHARACTERS]}..."
