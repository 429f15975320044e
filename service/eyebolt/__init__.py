"""Eyebolt: finds, proves and keeps proving where a camera is relative to a robot arm."""

__version__ = "0.1.0"
