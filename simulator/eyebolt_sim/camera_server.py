"""The simulated camera: a ZeroMQ ROUTER that renders an image of the arm at the instant of each request.

Requests and replies are those of ``eyebolt.cameras``. A robot program in another process can also request a move,
``{"move_to": [6 joint angles in rad], "seconds": s, "request_id": k}``, or place the board,
``{"place_board": 4x4 in m, "request_id": k}``; the reply to both is ``{"request_id": k}`` with an empty second part.
"""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections.abc import Callable
from types import TracebackType

import numpy as np
import zmq

from eyebolt.addresses import is_ipv6_endpoint
from eyebolt.cameras import decode_request, encode_error, encode_frame
from eyebolt.errors import CameraFault, MachineFault
from eyebolt_sim.board_texture import Image
from eyebolt_sim.moving_arm import MovingArm
from eyebolt_sim.transforms import Array

_POLL_MS = 50
_MAX_LEAD_S = 2.0
_COMMAND_TIMEOUT_MS = 3000


class CameraServer:
    """Serves images at ``endpoint`` from a thread; a context manager.

    ``expose`` renders the image for the true pose base_T_outward (4, 4) and the number of images served before;
    ``before_exposure`` is called first, in the thread that serves.
    Raises MachineFault ``sim-endpoint`` on entering if the endpoint cannot be bound.
    """

    def __init__(
        self,
        endpoint: str,
        expose: Callable[[Array, int], Image],
        arm: MovingArm,
        before_exposure: Callable[[], None] | None = None,
    ) -> None:
        self._endpoint = endpoint
        self._before_exposure = before_exposure
        self._expose = expose
        self._arm = arm
        self._boot_id = uuid.uuid4().hex[:12]
        self._served = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="simulated camera", daemon=True)
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()

    @property
    def frames_served(self) -> int:
        """Number of images sent."""
        return self._served

    def __enter__(self) -> CameraServer:
        self._socket = self._context.socket(zmq.ROUTER)
        self._socket.setsockopt(zmq.LINGER, 200)
        self._socket.setsockopt(zmq.IPV6, is_ipv6_endpoint(self._endpoint))
        try:
            self._socket.bind(self._endpoint)
        except zmq.ZMQError as fault:
            self._context.destroy(linger=0)
            raise MachineFault(
                "sim-endpoint",
                f"images cannot be served at {self._endpoint}: {fault.strerror}",
                "end the other simulator, or change the port of [camera] endpoint in the station file.",
                endpoint=self._endpoint,
            ) from fault
        # The renderer computes its tables for the first image; no request should wait for them.
        self._render(time.monotonic_ns())
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()
        self._context.destroy(linger=200)

    def _serve(self) -> None:
        while not self._stop.is_set():
            if not self._socket.poll(_POLL_MS, zmq.POLLIN):
                continue
            identity, *parts = self._socket.recv_multipart()
            reply = self._answer(parts)
            if reply is not None:
                self._socket.send_multipart([identity, *reply])

    def _answer(self, parts: list[bytes]) -> tuple[bytes, bytes] | None:
        if len(parts) != 1:
            return None
        if b'"move_to"' in parts[0] or b'"place_board"' in parts[0]:
            return self._handle_command(parts[0])
        try:
            request = decode_request(parts[0])
        except CameraFault:
            # Without a request id no reply can be addressed.
            return None
        early_s = (request.not_before_ns - time.monotonic_ns()) / 1e9
        if early_s > _MAX_LEAD_S:
            return encode_error(request.request_id, f"the requested exposure is {early_s:.1f} s from now")
        if early_s > 0:
            time.sleep(early_s)
        if self._before_exposure is not None:
            self._before_exposure()
        exposed_ns = max(time.monotonic_ns(), request.not_before_ns)
        pixels = self._render(exposed_ns)
        self._served += 1
        return encode_frame(
            pixels, frame_id=self._served, boot_id=self._boot_id, exposed_ns=exposed_ns, request_id=request.request_id
        )

    def _render(self, exposed_ns: int) -> Image:
        return self._expose(self._arm.pose_at(exposed_ns / 1e9), self._served)

    def _handle_command(self, part: bytes) -> tuple[bytes, bytes] | None:
        try:
            spec = json.loads(part)
            if "place_board" in spec:
                self._arm.place_board(np.asarray(spec["place_board"], dtype=float).reshape(4, 4))
            else:
                joints = np.asarray(spec["move_to"], dtype=float).reshape(6)
                self._arm.move_to(joints, float(spec["seconds"]), time.monotonic())
            return json.dumps({"request_id": int(spec["request_id"])}).encode(), b""
        except (ValueError, KeyError, TypeError):
            return None


class RemoteArm:
    """Moves the arm of a `CameraServer` in another process. Raises MachineFault ``sim-no-camera``."""

    def __init__(self, endpoint: str) -> None:
        self._endpoint = endpoint
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._socket = self._context.socket(zmq.DEALER)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.IPV6, is_ipv6_endpoint(endpoint))
        self._socket.connect(endpoint)
        self._request_id = 0

    def move_to(self, joints_rad: Array, seconds: float, now_s: float) -> None:
        """Begin a joint-space move to ``joints_rad`` (6,); the server reads its own clock instead of ``now_s``."""
        self._send_command({"move_to": [float(q) for q in joints_rad], "seconds": seconds})

    def place_board(self, base_T_board: Array) -> None:
        """Place the board at ``base_T_board`` (4, 4)."""
        self._send_command({"place_board": base_T_board.tolist()})

    def _send_command(self, spec: dict[str, object]) -> None:
        self._request_id += 1
        self._socket.send(json.dumps({**spec, "request_id": self._request_id}).encode())
        while self._socket.poll(_COMMAND_TIMEOUT_MS, zmq.POLLIN):
            header, _ = self._socket.recv_multipart()
            if json.loads(header).get("request_id") == self._request_id:
                return
        raise MachineFault(
            "sim-no-camera",
            f"no simulated camera replies at {self._endpoint}",
            "start the camera first: eyebolt-sim cell STATION --camera-only.",
            endpoint=self._endpoint,
        )

    def close(self) -> None:
        """Close the socket."""
        self._context.destroy(linger=0)
