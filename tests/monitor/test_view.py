"""Which messages are accepted as a view, and that what the daemon writes is read back."""

import json

import pytest

from eyebolt.monitor.subscriber import UnreadableStatusError, decode_view
from eyebolt.protocol import VIEW_TOPIC, Code, LiveProof, ViewMessage, ViewReason

PROOF = LiveProof(
    time_s=1e9,
    distance_px=0.4,
    distance_mm=0.3,
    p95_px=0.6,
    p95_mm=0.5,
    allowed_mm=1.1,
    views=4,
    consistent=True,
    message="the board is where the result puts it",
    remedy="",
)
OUTLINE = ((1.0, 2.0), (3.0, 2.0), (3.0, 4.0), (1.0, 4.0))
VIEW = ViewMessage(
    station="bay-3",
    time_s=1e9,
    image_size=(1280, 1024),
    view_size=(960, 768),
    is_of_capture=False,
    found=True,
    reason=None,
    corners_px=((1.5, 2.5),),
    board_outline_px=OUTLINE,
    predicted_outline_px=OUTLINE,
    brightness=0.5,
    saturated_fraction=0.0,
    edge_blur_px=0.8,
    tilt_deg=20.0,
    distance_mm=900.0,
    proof=PROOF,
)
CONTENT = json.loads(VIEW.to_json())


def test_what_the_daemon_writes_is_read_back():
    received = decode_view([VIEW_TOPIC, VIEW.to_json(), b"jpeg"])
    assert received.message == VIEW and received.jpeg == b"jpeg"


def test_no_text_of_a_view_steers_a_terminal():
    text = VIEW.model_copy(update={"station": "bay\x1b[2J"}).to_json()
    assert "\x1b" not in decode_view([VIEW_TOPIC, text, b""]).message.station


def test_a_view_without_an_image_states_the_reason():
    reason = ViewReason(code=Code.CAMERA_LOST, message="gone", remedy="plug it in")
    view = VIEW.model_copy(update={"view_size": None, "found": False, "reason": reason, "corners_px": ()})
    assert decode_view([VIEW_TOPIC, view.to_json(), b""]).message.reason == reason


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"view_size": [0, 768]}, "view_size.0"),
        ({"corners_px": [[1.0]]}, "corners_px.0.1"),
        ({"corners_px": [[0.0, 0.0]] * 4001}, "corners_px"),
        ({"board_outline_px": OUTLINE[:3]}, "board_outline_px.3"),
        ({"brightness": 1.5}, "brightness"),
        ({"proof": {"views": 0}}, "proof.time_s"),
    ],
)
def test_the_key_at_fault_is_named(change, key):
    with pytest.raises(UnreadableStatusError, match=f"its '{key}' is invalid"):
        decode_view([VIEW_TOPIC, json.dumps(CONTENT | change).encode(), b""])


@pytest.mark.parametrize(
    "parts", [[], [b"view", b"{}"], [b"status", b"{}", b""], [b"view", b"{", b""], [b"view", b'{"schema": 2}', b""]]
)
def test_what_is_no_view_is_refused(parts):
    with pytest.raises(UnreadableStatusError, match=r"three parts|not JSON|schema is 2"):
        decode_view(parts)
