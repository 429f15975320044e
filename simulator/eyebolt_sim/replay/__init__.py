"""A recorded session played once more, against a live daemon or in process, and compared with its record."""

from eyebolt_sim.replay.robot import Played
from eyebolt_sim.replay.run import LiveOptions, replay_in_process, replay_live

__all__ = [
    "LiveOptions",
    "Played",
    "replay_in_process",
    "replay_live",
]
