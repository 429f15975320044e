"""Whether a daemon speaks the robot protocol: its transcripts, played over a socket."""

from eyebolt_sim.conformance.transcript import LINE_ENDINGS, Directive, Exchange, transcript_files, transcript_steps

__all__ = ["LINE_ENDINGS", "Directive", "Exchange", "transcript_files", "transcript_steps"]
