"""Models of robot controllers: how each language connects, prints a pose, sends a line and reads a reply."""

from eyebolt_sim.controllers.link import ControllerLink
from eyebolt_sim.controllers.program import ControllerProgram
from eyebolt_sim.controllers.table import CONTROLLERS, Connection, Controller, find_controller

__all__ = ["CONTROLLERS", "Connection", "Controller", "ControllerLink", "ControllerProgram", "find_controller"]
