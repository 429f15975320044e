"""The command ``eyebolt``."""

from eyebolt.cli.runner import MountChoice, run_command

__all__ = [
    "MountChoice",
    "run_command",
]
