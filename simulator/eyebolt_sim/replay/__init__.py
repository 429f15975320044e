"""Replay of a recorded session, against a live daemon or in process, compared with its record."""

from eyebolt_sim.replay.robot import Played
from eyebolt_sim.replay.run import LiveOptions, replay_in_process, replay_live

__all__ = [
    "LiveOptions",
    "Played",
    "replay_in_process",
    "replay_live",
]
