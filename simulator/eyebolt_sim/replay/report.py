"""What came of a replay, in a few lines for somebody who is tired."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from eyebolt_sim.replay.line_faults import Fault
from eyebolt_sim.replay.recording import RecordedSession
from eyebolt_sim.replay.result_comparison import ACROSS_COMPUTERS, Difference, differences, renumbered
from eyebolt_sim.replay.robot import Played

_MOST_PLACES = 6
_WIDEST_VALUE = 60


@dataclass(frozen=True)
class Report:
    """``played``: every line; ``result`` and ``pictures``: what there is now, ``pictures`` None if it was not counted.

    ``how``: what it was played against, in words.
    """

    session: RecordedSession
    how: str
    played: Sequence[Played]
    result: Mapping[str, Any] | None
    pictures: int | None = None

    @property
    def result_differences(self) -> list[Difference]:
        """Where the result differs, also by less than computers do; empty if one of the two is missing."""
        if self.session.result is None or self.result is None:
            return []
        return differences(renumbered(self.session.result, self.session.pictures), self.result)

    @property
    def same_result(self) -> bool:
        """Whether the result on record came out again; true if there is none on record."""
        if self.session.result is None:
            return True
        return self.result is not None and all(d.relative <= ACROSS_COMPUTERS for d in self.result_differences)

    @property
    def same_pictures(self) -> bool:
        """Whether no picture more or less was taken."""
        return self.pictures is None or self.pictures == len(self.session.pictures)

    @property
    def laid(self) -> list[Fault]:
        """The faults laid over it, each once."""
        return list(dict.fromkeys(one.fault for one in self.played if one.fault is not None))

    @property
    def same(self) -> bool:
        """Whether every decision, the result, and what holds under each fault came out again."""
        return all(one.as_promised for one in self.played) and self.same_result and self.same_pictures

    def lines(self) -> Iterator[str]:
        """The report."""
        session, station = self.session, self.session.inputs.station.station
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
        unlike = [one for one in self.played if not one.as_recorded]
        if not unlike:
            yield f"decisions: all {len(self.played)} as recorded (code, count, aux)"
            return
        yield f"DECISIONS: {len(unlike)} of {len(self.played)} differ (code, count, aux)"
        yield f"  {'line':>4}  {'request':<14}{'recorded':<14}now"
        for one in unlike:
            request = " ".join(one.line.text.split(" ")[:2])
            now = " then ".join(str(told) for told in dict.fromkeys(one.heard))
            yield f"  {one.line.number:>4}  {request:<14}{one.line.told!s:<14}{now}"

    def _faults(self) -> Iterator[str]:
        for fault in self.laid:
            those = [one for one in self.played if one.fault is fault]
            broken = [str(one.line.number) for one in those if not one.as_promised]
            came = f"NOT so at line {', '.join(broken)}" if broken else "so it was"
            yield f"fault {fault.name} over line {', '.join(str(one.line.number) for one in those)}: {fault.does}"
            yield f"  to come of it: {fault.promise}; {came}"

    def _result(self) -> Iterator[str]:
        recorded, found = self.session.result, self.result_differences
        if recorded is None:
            yield "result: there is none on record" + ("" if self.result is None else "; now there is one")
            return
        if self.result is None:
            yield "RESULT: there is one on record, now there is none"
            return
        if not found:
            yield "result: the same to the last digit"
        elif self.same_result:
            worst = max(found, key=lambda d: d.relative)
            yield f"result: the same within {ACROSS_COMPUTERS:g} ({worst.relative:.1g} at {worst.place})"
            yield "  to the last digit only the computer and the libraries that recorded it give it again"
        else:
            yield from self._unlike_results(recorded, self.result)
        by, here = recorded.get("software"), self.result.get("software")
        if by != here:
            yield f"  recorded by {by}; this is {here}"

    def _unlike_results(self, recorded: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
        beyond = [d for d in self.result_differences if d.relative > ACROSS_COMPUTERS]
        yield f"RESULT: differs in {len(beyond)} places"
        before, after = recorded.get("transform"), now.get("transform")
        if before and after:
            off_mm = float(np.linalg.norm(np.subtract(before["translation_mm"], after["translation_mm"])))
            if off_mm:
                yield f"  {before['name']} lies {off_mm:.4g} mm from the recorded one"
        for one in beyond[:_MOST_PLACES]:
            yield f"  {one.place}: recorded {_short(one.recorded)}, now {_short(one.now)}"
        if len(beyond) > _MOST_PLACES:
            yield f"  and {len(beyond) - _MOST_PLACES} more places"


def _short(value: object) -> str:
    text = str(value)
    return text if len(text) <= _WIDEST_VALUE else f"{text[:_WIDEST_VALUE]}..."
