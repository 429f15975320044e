"""Eyebolt: finds, proves and keeps proving where a camera is relative to a robot arm."""

from importlib.metadata import version

__version__ = version("eyebolt")
