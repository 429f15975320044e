"""Whether a robot program speaks the protocol: a stand-in for the daemon, with faults, and its verdict."""

from eyebolt_sim.program_check.observer import ProgramObserver, ProgramRule
from eyebolt_sim.program_check.poses import PoseCheck
from eyebolt_sim.program_check.script import PARTS, Part, Times, Trouble
from eyebolt_sim.program_check.server import StandIn

__all__ = ["PARTS", "Part", "PoseCheck", "ProgramObserver", "ProgramRule", "StandIn", "Times", "Trouble"]
