"""A recorded session played once more, against a live daemon or in process, and compared with its record."""

from eyebolt_sim.replay.robot import Played
from eyebolt_sim.replay.run import LiveChoices, replay_in_process, replay_live

__all__ = ["LiveChoices", "Played", "replay_in_process", "replay_live"]
