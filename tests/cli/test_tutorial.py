"""The tutorial: every command in it is executed, and prints what the page shows."""

import pytest

from support.tutorial import PAGE, Block, Reader, blocks_of, differences


@pytest.mark.parametrize("warm", [True, pytest.param(False, id="as-it-stands", marks=pytest.mark.long)])
def test_every_command_of_the_tutorial_prints_what_the_page_shows(warm, tmp_path):
    blocks = blocks_of(PAGE.read_text(encoding="utf-8"))
    assert len(blocks) > 10
    with Reader(tmp_path, warm) as reader:
        for block in blocks:
            assert not (difference := reader.type(block)), f"{PAGE.name}, line {block.line}: {difference}"
        assert not reader.end()


def test_numbers_dates_and_folders_are_masked_and_words_are_not():
    assert not differences(
        ["at 2026-12-01T04:02Z: 0.70 mm in /home/you/bay-3/x"], ["at 1-2-3: 12 mm in /tmp/k/bay-3/x"]
    )
    assert differences(["0.70 mm kept"], ["0.70 mm refused"])
    assert not differences(["a", "...", "z"], ["a", "b", "c", "z"])
    assert not differences(["a", "...", "z"], ["a", "z"])
    assert differences(["a", "z"], ["a", "b", "z"])
    assert differences(["a"], [])


@pytest.mark.parametrize(
    "page",
    [
        "```toml\nx = 1\n```",
        "```\nls\n```",
        "    eyebolt new",
        "```text\nno command\n```",
        "```sh\nls\n```\n```text\n```\n```text\n```",
    ],
)
def test_a_block_that_would_not_be_run_is_an_error(page):
    with pytest.raises(AssertionError):
        blocks_of(page)


def test_a_command_that_fails_or_prints_something_else_is_noticed(tmp_path):
    with Reader(tmp_path, warm=True) as reader:
        assert "exit code 3" in reader.type(Block(1, ("exit 3",)))
        assert "was printed" in reader.type(Block(2, ("echo kept",), output=("refused",)))
        assert "was printed" in reader.type(Block(3, ("echo kept",)))
        assert not reader.type(Block(4, ("echo kept 5",), output=("kept 7",)))
