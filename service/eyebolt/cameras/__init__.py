"""Picture sources behind one promise: a frame exposed after the request, or a fault that says why there is none.

A source returns a frame with ``exposed_ns >= asked_ns`` or raises CameraFault, in bounded time; it never returns an
older frame. Instants are CLOCK_MONOTONIC nanoseconds of this computer (``time.monotonic_ns()``).
"""
