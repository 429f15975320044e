"""From a status socket to the browsers: what is passed on, and when the views are subscribed to."""

import asyncio
import contextlib
import json

import pytest

from eyebolt.monitor import StatusSubscriber
from eyebolt.page import feed as feeding
from eyebolt.page.feed import Feed, FeedThread
from support.published_status import PublishedStatus
from support.status_messages import make_status
from support.view_messages import make_view


@pytest.fixture
def published():
    with PublishedStatus(make_status()) as made:
        yield made


@contextlib.asynccontextmanager
async def following(published, expected_station="bay-3"):
    """A feed that is filled, and the defects by which its thread has ended."""
    feed, defects = Feed(), []

    def subscribe(with_view):
        return StatusSubscriber(published.endpoint, with_view=with_view)

    loop = asyncio.get_running_loop()
    thread = FeedThread(feed, loop, subscribe, None, defects.append, expected_station)
    try:
        yield feed
    finally:
        thread.close()
    assert not defects


async def until(condition):
    async with asyncio.timeout(30):
        while not condition():
            await asyncio.sleep(0.01)


def test_a_state_is_passed_on_only_when_it_has_changed(published):
    async def scenario():
        async with following(published) as feed:
            await until(lambda: b"bay-3" in feed.state)
            number = feed.state_number
            published.status = make_status(timestamp="2026-11-25T15:02:14Z")
            await asyncio.sleep(0.5)
            assert feed.state_number == number
            published.status = make_status(kept=8)
            await until(lambda: b'"kept":8' in feed.state)
            assert feed.state_number == number + 1

    asyncio.run(scenario())


def test_views_are_subscribed_to_while_somebody_waits_for_one(published, monkeypatch):
    monkeypatch.setattr(feeding, "_VIEW_WANTED_S", 0.2)

    async def scenario():
        async with following(published) as feed:
            await until(lambda: b"status" in published.topics)
            assert b"view" not in published.topics
            published.parts = [b"view", make_view().to_json(), b"jpeg"]
            while await feed.next_view(0, timeout_s=0.2) is None:
                pass
            assert feed.view.received.jpeg == b"jpeg"
            assert b"view" in published.topics
            await until(lambda: b"view" not in published.topics)
            await until(lambda: feed.view is None)

    asyncio.run(scenario())


@pytest.mark.parametrize(("expected", "is_shown"), [("bay-3", False), ("bay-4", True), (None, True)])
def test_of_another_station_no_value_and_no_view_is_passed_on(published, expected, is_shown):
    published.status = make_status(station="bay-4", kept=5)
    published.parts = [b"view", make_view(station="bay-4").to_json(), b"jpeg"]

    async def scenario():
        async with following(published, expected) as feed:
            view = await feed.next_view(0, timeout_s=1.0)
            assert (view is not None) == is_shown
            await until(lambda: b"bay-4" in feed.state)
            state = json.loads(feed.state)
            assert (state["status"] is not None) == is_shown

    asyncio.run(scenario())
