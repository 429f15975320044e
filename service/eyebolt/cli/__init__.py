"""The command ``eyebolt``."""

from eyebolt.cli.runner import MountChoice, print_line, run_command

__all__ = [
    "MountChoice",
    "print_line",
    "run_command",
]
