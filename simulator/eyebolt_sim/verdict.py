"""A verdict on one page: each rule passed, failed or not tried, with what was seen and what to change."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import Enum

_WIDTH = 100
_MIN_WIDTH = 60
_MAX_EVIDENCE = 3


class Outcome(Enum):
    """What was found about a rule."""

    PASSED = "passed"
    FAILED = "FAILED"
    NOT_TRIED = "not tried"


@dataclass
class RuleVerdict:
    """What was seen of one rule."""

    rule: str
    """The rule, in a few words."""
    remedy: str = ""
    """What to change if it failed."""
    not_tried: str = ""
    """Why it was not tried, if it was not."""
    passes: int = 0
    """How often it was kept."""
    failures: list[str] = field(default_factory=list)
    """Each time it was broken: where, and what was seen."""
    note: str = ""
    """A figure or a remark that does not change the outcome."""

    @property
    def outcome(self) -> Outcome:
        """Failed at the first failure."""
        if self.failures:
            return Outcome.FAILED
        return Outcome.PASSED if self.passes else Outcome.NOT_TRIED


@dataclass(frozen=True)
class Verdict:
    """The page."""

    title: str
    """What was tried against what."""
    facts: Sequence[str]
    """What the reader has to know beside the rules."""
    rules: Sequence[RuleVerdict]
    """In the order of the page."""

    @property
    def failed(self) -> bool:
        """Whether a rule failed."""
        return any(rule.outcome is Outcome.FAILED for rule in self.rules)

    @property
    def passed(self) -> bool:
        """Whether no rule failed, and at least one was tried."""
        return not self.failed and any(rule.outcome is Outcome.PASSED for rule in self.rules)

    @property
    def summary(self) -> str:
        """The outcome in one line."""
        count = {outcome: sum(rule.outcome is outcome for rule in self.rules) for outcome in Outcome}
        counts = ", ".join(f"{count[outcome]} {outcome.value.lower()}" for outcome in Outcome)
        word = "FAILED" if self.failed else "PASSED" if self.passed else "NOTHING TRIED"
        return f"{word}: {counts}"

    def lines(self, columns: int = _WIDTH) -> Iterator[str]:
        """The page for a terminal of so many columns, line by line: failures first."""
        width = max(_MIN_WIDTH, min(columns, _WIDTH))
        yield self.title
        yield self.summary
        for fact in self.facts:
            yield from textwrap.wrap(fact, width, subsequent_indent="  ")
        for outcome in (Outcome.FAILED, Outcome.PASSED, Outcome.NOT_TRIED):
            for rule in self.rules:
                if rule.outcome is outcome:
                    yield from _rule_lines(rule, width)


def _rule_lines(rule: RuleVerdict, width: int) -> Iterator[str]:
    text = f"{rule.outcome.value:<10} {rule.rule}"
    if rule.note:
        text += f" [{rule.note}]"
    if rule.outcome is Outcome.NOT_TRIED and rule.not_tried:
        text += f": {rule.not_tried}"
    yield from textwrap.wrap(text, width, subsequent_indent=" " * 11)
    for failure in rule.failures[:_MAX_EVIDENCE]:
        yield from textwrap.wrap(f"- {failure}", width, initial_indent=" " * 11, subsequent_indent=" " * 13)
    if len(rule.failures) > _MAX_EVIDENCE:
        yield f"{'':<11}- and {len(rule.failures) - _MAX_EVIDENCE} more"
    if rule.failures and rule.remedy:
        yield from textwrap.wrap(f"change: {rule.remedy}", width, initial_indent=" " * 11, subsequent_indent=" " * 13)
