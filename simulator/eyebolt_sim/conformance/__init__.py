"""Whether a daemon speaks the robot protocol: its transcripts, played over a socket."""

from eyebolt_sim.conformance.expected import Answer, Conversation, Expectation
from eyebolt_sim.conformance.player import (
    ConformanceKit,
    Target,
    Way,
    chosen_transcripts,
    conform,
    parse_line,
    target_of,
)
from eyebolt_sim.conformance.rules import Rule
from eyebolt_sim.conformance.transcript import LINE_ENDINGS, Directive, Exchange, transcript_files, transcript_steps

__all__ = [
    "LINE_ENDINGS",
    "Answer",
    "ConformanceKit",
    "Conversation",
    "Directive",
    "Exchange",
    "Expectation",
    "Rule",
    "Target",
    "Way",
    "chosen_transcripts",
    "conform",
    "parse_line",
    "target_of",
    "transcript_files",
    "transcript_steps",
]
