"""Eyebolt: finds, proves and keeps proving where a camera is relative to a robot arm."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("eyebolt")
except PackageNotFoundError:
    # A source tree on the path that was not installed has no metadata; the version is stated in pyproject.toml only.
    __version__ = "0+unknown"
