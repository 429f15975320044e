"""Status messages as a daemon would publish them."""

from __future__ import annotations

from typing import Any

from eyebolt.protocol import StatusMessage

STATUS: dict[str, Any] = {
    "schema": 1,
    "station": "bay-3",
    "mount": "fixed",
    "session": "20261125-150213-01",
    "session_folder": "/rec/20261125-150213-01",
    "phase": "open",
    "kept": 7,
    "wanted": 6,
    "min_pairs": 8,
    "max_pairs": 40,
    "refused": 2,
    "checks": 1,
    "tolerance_mm": 1.0,
    "tolerance_of": "pick",
    "p95_upper_mm": 1.62,
    "p95_upper_history_mm": [None, None, 2.31, 1.42],
    "request": None,
    "last_reply": {
        "seq": 12,
        "code": 20,
        "message": "no board in the image",
        "remedy": "move the arm so that the whole board is in view",
        "measure": None,
    },
    "timings_ms": {"wait": 101.2, "exposure": None, "transfer": 12.9, "detect": 95.1, "view_check": 3.2, "disk": 44.0},
    "robot": {"is_connected": True, "message": "connected from 127.0.0.1"},
    "camera": {"is_connected": True, "message": "last image 0.3 s ago"},
    "last_refusal": None,
    "kept_views": [],
    "progress": None,
    "result": None,
    "findings": [],
    "is_accepted": False,
    "accepted_result": None,
    "timestamp": "2026-11-25T15:02:13Z",
    "log_lines_lost": 0,
    "guidance": None,
    "proof": None,
}


def make_status(**changes: Any) -> StatusMessage:
    """A status of an open session with ``changes`` of its keys."""
    return StatusMessage.model_validate(STATUS | changes)
