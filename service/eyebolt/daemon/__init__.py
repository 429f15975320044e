"""The daemon of one station: asyncio, sockets, threads. Carries out the commands of the session; decides nothing."""

from eyebolt.daemon.camera_view import SeenBoard, ViewComposer, displayable, measure_board
from eyebolt.daemon.startup import open_station_camera, serve

__all__ = ["SeenBoard", "ViewComposer", "displayable", "measure_board", "open_station_camera", "serve"]
