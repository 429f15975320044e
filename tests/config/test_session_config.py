"""What a session takes from its station file."""

import pytest

from eyebolt.context import load_context
from support.folder_camera_cell import write_station


@pytest.mark.parametrize(("lines", "wait_ns"), [((), 1_400_000_000), (("reply_wait_s = 12.5",), 12_500_000_000)])
def test_how_long_a_reply_is_held(tmp_path, lines, wait_ns):
    context = load_context(write_station(tmp_path, robot_lines=lines))
    assert context.session_config.reply_wait_ns == wait_ns
