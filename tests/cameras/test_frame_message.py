import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from eyebolt.cameras import frame_message as fm
from eyebolt.errors import CameraFault

GRAY = np.arange(12, dtype=np.uint8).reshape(3, 4)
RAW = GRAY.tobytes()
HEADER = {
    "schema": 1,
    "id": 7,
    "boot_id": "b",
    "width": 4,
    "height": 3,
    "channels": 1,
    "dtype": "uint8",
    "exposed_ns": 99,
}


def parts(raw=RAW, **changes):
    header = {key: value for key, value in {**HEADER, **changes}.items() if value is not None}
    return [json.dumps(header).encode(), raw]


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("shape", [(3, 4), (3, 4, 3), (1, 1)])
def test_a_image_survives_the_wire(dtype, shape):
    image = np.random.default_rng(1).integers(0, np.iinfo(dtype).max, shape).astype(dtype)
    message = fm.decode_frame(fm.encode_frame(image, frame_id=3, boot_id="boot", exposed_ns=12, request_id=5))
    assert np.array_equal(message.pixels(), image)
    assert message.pixels().dtype == image.dtype
    header = message.header
    assert (header.frame_id, header.boot_id, header.exposed_ns, header.request_id) == (3, "boot", 12, 5)


def test_the_bytes_on_the_wire_are_rows_of_little_endian_numbers():
    image = np.array([[1, 2], [3, 0x0405]], dtype=">u2")
    header, raw = fm.encode_frame(image, frame_id=0, boot_id="b", exposed_ns=1)
    assert raw == bytes([1, 0, 2, 0, 3, 0, 5, 4])
    assert json.loads(header) == {**HEADER, "id": 0, "width": 2, "height": 2, "dtype": "uint16", "exposed_ns": 1}


def test_pixels_of_a_strided_image_come_in_order():
    image = np.arange(48, dtype=np.uint8).reshape(6, 8)[::2, ::2]
    assert np.array_equal(
        fm.decode_frame(fm.encode_frame(image, frame_id=0, boot_id="b", exposed_ns=1)).pixels(), image
    )


def test_pixels_can_be_written_and_are_no_view_of_the_message():
    message = fm.decode_frame(parts())
    first = message.pixels()
    first[:] = 255
    assert np.array_equal(message.pixels(), GRAY)


@pytest.mark.parametrize(
    ("bad", "named"),
    [
        (parts()[:1], "2 parts"),
        ([*parts(), b""], "2 parts"),
        ([b"\xff\xfe", b""], "JSON"),
        ([b"{", b""], "JSON"),
        ([b"[" * 4000, b""], "JSON"),
        ([b"[1]", b""], "object"),
        ([b" " * 5000, b""], "header"),
        ([b"\x80\x04K\x01.", b""], "JSON"),  # a pickle
        (parts(schema=None), "schema"),
        (parts(schema=2), "schema"),
        (parts(schema=True), "schema"),
        (parts(width=None), "width"),
        (parts(width=0), "width"),
        (parts(width=4.0), "width"),
        (parts(width=True), "width"),
        (parts(height=-3), "height"),
        (parts(width=50_000, height=50_000), "pixels"),
        (parts(channels=2), "channels"),
        (parts(channels=4), "channels"),
        (parts(channels=True), "channels"),
        (parts(request_id="null"), "request_id"),
        (parts(dtype="float64"), "dtype"),
        (parts(dtype="object"), "dtype"),
        (parts(dtype=["uint8"]), "dtype"),
        (parts(raw=RAW[:-1]), "bytes"),
        (parts(raw=RAW + b"x"), "bytes"),
        (parts(dtype="uint16"), "bytes"),
        (parts(boot_id=""), "boot_id"),
        (parts(boot_id="x" * 65), "boot_id"),
        (parts(boot_id="a\nb"), "boot_id"),
        (parts(boot_id=5), "boot_id"),
        (parts(id=-1), "id"),
        (parts(exposed_ns=2**63), "exposed_ns"),
        (parts(exposed_ns="5"), "exposed_ns"),
        (parts(request_id="x"), "request_id"),
    ],
)
def test_an_invalid_message_is_refused_naming_the_key(bad, named):
    with pytest.raises(CameraFault) as caught:
        fm.decode_frame(bad)
    assert caught.value.code == "bad-frame"
    assert named in caught.value.message


@given(
    st.lists(st.binary(max_size=60), max_size=4)
    | st.tuples(
        st.dictionaries(
            st.sampled_from([*HEADER, "request_id", "error"]),
            st.none() | st.booleans() | st.integers(-2, 20) | st.floats() | st.text(max_size=5),
        ).map(lambda header: json.dumps({**HEADER, **header}).encode()),
        st.binary(max_size=40),
    )
)
def test_no_message_does_more_harm_than_being_refused(message):
    for read in (fm.decode_frame, fm.decode_reply):
        try:
            frame = read(message)
        except CameraFault as fault:
            assert fault.code == "bad-frame"
        else:
            if isinstance(frame, fm.FrameMessage):
                assert frame.pixels().nbytes == len(message[1])


@pytest.mark.parametrize(
    "image",
    [np.zeros((2, 2)), np.zeros((2, 2, 2), np.uint8), np.zeros((2, 2, 3, 1), np.uint8), np.zeros((0, 4), np.uint8)],
)
def test_other_pixels_are_not_sent(image):
    with pytest.raises(CameraFault) as caught:
        fm.encode_frame(image, frame_id=0, boot_id="b", exposed_ns=1)
    assert caught.value.code == "bad-frame"


def test_requests_and_error_replies_survive_the_wire():
    assert fm.encode_request(123, 4) == b'{"not_before_ns": 123, "request_id": 4}'
    assert fm.decode_request(fm.encode_request(123, 4)) == fm.FrameRequest(not_before_ns=123, request_id=4)
    assert fm.decode_reply(fm.encode_error(4, "the light\nis off")) == fm.ErrorReply(4, "the light is off")


@pytest.mark.parametrize("reply", [parts(), [b'{"request_id": 1, "error": "x"}', b"pixels"], [b'{"error": "x"}', b""]])
def test_a_reply_must_name_its_request(reply):
    with pytest.raises(CameraFault) as caught:
        fm.decode_reply(reply)
    assert caught.value.code == "bad-frame"
