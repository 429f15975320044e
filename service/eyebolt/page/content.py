"""What a browser is sent: the newest status with the operator's prompt, and the newest view. Pure."""

from __future__ import annotations

import json
from dataclasses import dataclass

from eyebolt.monitor import (
    ReceivedView,
    how_far,
    is_other_station,
    is_stale,
    needs_robot,
    operator_prompt_for,
    remark,
    result_line,
)
from eyebolt.protocol import StatusMessage

# Cannot occur in a JPEG by chance: 122 random bits.
_BOUNDARY = "eyebolt-7f1d0c52a7b94e8f9b0f3d4c2e6a1b85"
VIEW_MEDIA_TYPE = f"multipart/form-data; boundary={_BOUNDARY}"


@dataclass(frozen=True)
class View:
    """One picture for the browsers."""

    number: int
    """Counts up with each picture; 1 is the first."""
    received: ReceivedView
    """The picture, and what was found in it."""

    def body(self) -> bytes:
        """Both in one reply (RFC 7578), so that no browser draws the corners of one picture into another."""
        header = json.dumps({"number": self.number, **self.received.message.model_dump(mode="json", by_alias=True)})
        lines = (
            f"--{_BOUNDARY}",
            'Content-Disposition: form-data; name="header"',
            "",
            header,
            f"--{_BOUNDARY}",
            'Content-Disposition: form-data; name="picture"; filename="view.jpg"',
            "Content-Type: image/jpeg",
            "",
            self.received.jpeg,
            f"--{_BOUNDARY}--",
            "",
        )
        return b"\r\n".join(line if isinstance(line, bytes) else line.encode("ascii") for line in lines)


def page_state(
    status: StatusMessage | None,
    status_age_s: float,
    note: str,
    result_key: str | None,
    expected_station: str | None = None,
) -> tuple[bytes, object]:
    """The state of the page as one line of JSON, and a key that is equal while nothing has changed.

    ``status``: the newest one, ``status_age_s`` seconds old, or None before the first one. ``note``: remark of the
    subscription. ``result_key``: changes with the result that ``/result`` answers; None while there is none. Of another
    station than ``expected_station`` (None: any) nothing is shown but its name.
    """
    prompt = operator_prompt_for(status, status_age_s, expected_station)
    if is_other_station(status, expected_station):
        status = None
    shown = None if status is None else status.model_dump(mode="json", by_alias=True)
    state = {
        "prompt": {
            "headline": prompt.headline,
            "message": prompt.message,
            "remedy": prompt.remedy,
            "command": prompt.command,
            "tone": prompt.tone.value,
        },
        "silent": is_stale(status_age_s),
        "note": remark(status, note),
        "how_far": "" if status is None else how_far(status),
        "result_line": "" if status is None or status.result is None else result_line(status, with_reason=False),
        "needs_robot": status is not None and needs_robot(status),
        "result": result_key,
        "status": shown,
    }
    text = json.dumps(state, allow_nan=False, separators=(",", ":"))
    if shown is not None:
        # The only key that changes by itself.
        shown.pop("timestamp")
    return text.encode(), state
