"""What the computer itself must have before anything else can work."""

from __future__ import annotations

import importlib

from eyebolt.errors import MachineFault

# OpenCV's wheel brings its own libraries but for these, which slim systems lack: the loader names the file it misses.
_SYSTEM_LIBRARIES = ("libGL.so", "libgthread", "libglib")
_APT_LINE = "sudo apt-get install -y libgl1 libglib2.0-0"


def require_opencv() -> None:
    """Loads OpenCV (``cv2``). Raises MachineFault ``opencv-missing`` with the line that installs what it lacks."""
    try:
        importlib.import_module("cv2")
    except ImportError as lack:
        reason = str(lack)
        if any(name in reason for name in _SYSTEM_LIBRARIES):
            remedy = f"install the system's libraries on this computer: {_APT_LINE}"
        else:
            remedy = "install OpenCV into the Python that runs eyebolt: python3 -m pip install 'opencv-python<5'"
        raise MachineFault(
            "opencv-missing", f"OpenCV (cv2) cannot be loaded: {reason}", remedy, reason=reason
        ) from None
