"""The application: its headers on every reply, what it refuses, the token, the stream of states, the views."""

import asyncio
import dataclasses
import json
import re
from email import message_from_bytes
from importlib import resources
from urllib.parse import quote

import pytest

from eyebolt.monitor import ReceivedView
from eyebolt.page.access import page_access
from eyebolt.page.app import MAX_BROWSERS, page_app
from eyebolt.page.content import View, page_state
from eyebolt.page.feed import Feed
from support.asgi_client import AsgiClient
from support.status_messages import make_status
from support.view_messages import make_view

HOST = "127.0.0.1:4753"
TOKEN = "x" * 43
FILES = ["/", "/page.css", "/page.js", "/icon.svg"]


class Results:
    text = None


@pytest.fixture
def feed():
    return Feed()


@pytest.fixture
def results():
    return Results()


@pytest.fixture
def client(feed, results):
    return AsgiClient(page_app(feed, page_access(), results), HOST)


@pytest.fixture
def guarded(feed):
    access = dataclasses.replace(page_access("127.0.0.1:4753"), token=TOKEN)
    return AsgiClient(page_app(feed, access), HOST, "https")


def is_guarded(reply):
    policy = reply.headers["content-security-policy"]
    return (
        "default-src 'none'" in policy
        and "unsafe" not in policy
        and "http" not in policy
        and reply.headers["x-content-type-options"] == "nosniff"
        and reply.headers["cache-control"] == "no-store"
        and reply.headers["referrer-policy"] == "no-referrer"
        and "access-control-allow-origin" not in reply.headers
    )


@pytest.mark.parametrize("path", FILES)
def test_the_files_are_served_with_a_strict_policy(client, path):
    reply = client.get(path)
    assert reply.status_code == 200
    assert is_guarded(reply)
    assert len(reply.content) > 100
    assert client.request("HEAD", path).status_code == 200


def test_a_browser_is_told_to_load_nothing_from_elsewhere_and_nothing_inline():
    static = resources.files("eyebolt.page").joinpath("static")
    html = static.joinpath("page.html").read_text()
    assert not re.search(r"<style|style=|<script(?![^>]*src=)|\son\w+=|javascript:", html)
    for name in ("page.html", "page.css", "page.js", "icon.svg"):
        links = set(re.findall(r"(?:https?:)?//[\w.]+", static.joinpath(name).read_text()))
        assert links <= {"http://www.w3.org"}, name


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
@pytest.mark.parametrize("path", ["/", "/events", "/nothing"])
def test_it_can_only_be_read(client, method, path):
    reply = client.request(method, path)
    assert (reply.status_code, reply.headers["allow"]) == (405, "GET, HEAD")
    assert is_guarded(reply)


@pytest.mark.parametrize("host", ["example.org:4753", "127.0.0.1", "127.0.0.1:4754", "169.254.1.1:4753", ""])
@pytest.mark.parametrize("path", ["/", "/events", "/view", "/result"])
def test_a_request_under_another_name_is_refused(client, host, path):
    reply = client.get(path, headers={"host": host})
    assert reply.status_code == 421
    assert is_guarded(reply)


@pytest.mark.parametrize(
    "path", ["/nothing", "/../server.py", "//page.js", "/static/page.html", "/page.js/", "/%2e%2e/access.py"]
)
def test_there_is_nothing_else(client, path):
    reply = client.get(path)
    assert reply.status_code == 404
    assert is_guarded(reply)


@pytest.mark.parametrize("path", [*FILES, "/events", "/view", "/result", "/nothing"])
def test_without_the_token_nothing_is_shown(guarded, path):
    for query in ("", "?token=", f"?token={TOKEN[:-1]}", f"?token={TOKEN}x", f"?token={TOKEN}&token={TOKEN}"):
        reply = guarded.get(path + query)
        assert reply.status_code == 401
        assert "set-cookie" not in reply.headers
        assert is_guarded(reply)


def test_the_token_is_exchanged_for_a_cookie_once(guarded):
    reply = guarded.get(f"/?token={TOKEN}")
    assert (reply.status_code, reply.headers["location"]) == (303, "/")
    cookie = reply.headers["set-cookie"]
    assert cookie.startswith("__Host-eyebolt-4753=")
    assert {"HttpOnly", "Secure", "SameSite=strict", "Path=/"} <= set(cookie.split("; "))
    assert TOKEN not in cookie
    name, value = cookie.split(";")[0].split("=")
    assert guarded.get("/", headers={"cookie": f"{name}={value}"}).status_code == 200
    for wrong in (f"{name}={value[:-1]}", f"{name}=", f"{name}={TOKEN}", f"other={value}", "="):
        assert guarded.get("/", headers={"cookie": wrong}).status_code == 401
    # A wrong token is not mended by a cookie.
    assert guarded.get("/?token=wrong", headers={"cookie": f"{name}={value}"}).status_code == 401


def test_other_names_are_refused_with_a_token_too(guarded):
    assert guarded.get(f"/?token={TOKEN}", headers={"host": "example.org"}).status_code == 421


async def until(condition):
    async with asyncio.timeout(30):
        while not condition():
            await asyncio.sleep(0.002)


def test_states_are_streamed_as_they_come(client, feed):
    async def scenario():
        feed.set_state(b'{"a":1}')
        reply, _, task = await client.start("GET", "/events")
        await until(lambda: b'data: {"a":1}\n\n' in reply.content)
        feed.set_state(b'{"a":2}')
        await until(lambda: b'event: state\ndata: {"a":2}\n\n' in reply.content)
        assert reply.headers["content-type"].startswith("text/event-stream")
        assert is_guarded(reply)
        feed.end()
        await asyncio.wait_for(task, 30)

    asyncio.run(scenario())


def test_only_so_many_browsers_are_served_and_a_place_becomes_free(client, feed):
    async def scenario():
        feed.set_state(b"{}")
        streams = [await client.start("GET", "/events") for _ in range(MAX_BROWSERS)]
        await until(lambda: all(reply.content for reply, _, _ in streams))
        for method in ("GET", "HEAD"):
            reply, _, task = await client.start(method, "/events")
            await asyncio.wait_for(task, 30)
            assert reply.status_code == 503
        _, gone, task = streams[0]
        gone.set()
        await asyncio.wait_for(task, 30)
        reply, _, _ = await client.start("GET", "/events")
        await until(lambda: b"data: {}" in reply.content)
        assert reply.status_code == 200
        feed.end()

    asyncio.run(scenario())


def test_a_view_is_one_reply_with_what_was_found_and_the_picture(client, feed):
    received = ReceivedView(make_view(found=True), b"\xff\xd8 jpeg \r\n--\xff\xd9")
    feed.set_view(View(7, received))
    reply = client.get("/view?after=6")
    parts = message_from_bytes(b"content-type: " + reply.headers["content-type"].encode() + b"\n\n" + reply.content)
    header, picture = list(parts.walk())[1:]
    found = json.loads(header.get_payload())
    assert found["number"] == 7
    assert found["corners_px"] == [list(point) for point in received.message.corners_px]
    assert received.jpeg in reply.content
    assert picture.get_content_type() == "image/jpeg"


def test_a_view_is_waited_for_and_asked_for_only_while_somebody_waits(feed):
    async def scenario():
        assert feed.view_wanted_until_s == 0.0
        assert await feed.next_view(0, timeout_s=0.01) is None
        assert feed.view_wanted_until_s > 0.0
        waiting = asyncio.create_task(feed.next_view(0, timeout_s=30))
        await asyncio.sleep(0)
        feed.set_view(View(1, ReceivedView(make_view(), b"")))
        assert (await waiting).number == 1
        assert await feed.next_view(1, timeout_s=0.01) is None
        ended = asyncio.create_task(feed.next_view(1, timeout_s=30))
        await asyncio.sleep(0)
        feed.end()
        assert await ended is None

    asyncio.run(scenario())


@pytest.mark.parametrize("after", ["", "x", "-1", "9" * 40, "\u0663"])
def test_a_number_that_is_none_counts_as_the_first(client, feed, after):
    feed.set_view(View(1, ReceivedView(make_view(), b"")))
    assert client.get(f"/view?after={quote(after)}").status_code == 200


def test_no_view_is_an_empty_reply(client, feed):
    feed.end()
    assert client.get("/view").status_code == 204


def test_the_result_is_served_once_there_is_one(client, results):
    assert client.get("/result").status_code == 404
    results.text = b'{"session":"s"}'
    assert client.get("/result").json() == {"session": "s"}


def test_the_state_has_the_prompt_and_the_status_and_changes_with_more_than_the_time():
    first, key = page_state(make_status(), 0.1, "", None)
    state = json.loads(first)
    assert state["prompt"]["headline"]
    assert state["status"]["schema"] == 1
    assert not state["silent"]
    assert page_state(make_status(timestamp="2026-11-25T15:02:14Z"), 0.4, "", None)[1] == key
    assert page_state(make_status(kept=8), 0.1, "", None)[1] != key
    assert page_state(make_status(), 0.1, "a note", None)[1] != key
    silent, other = page_state(make_status(), 9.0, "", None)
    assert json.loads(silent)["silent"]
    assert other != key
    waiting = json.loads(page_state(None, 0.1, "", None)[0])
    assert (waiting["status"], waiting["silent"]) == (None, False)


def test_no_text_of_a_message_ends_a_line_of_the_stream():
    state, _ = page_state(make_status(station="a\u2028b\u0085c\nd\re"), 0.1, "\n\nevent: state", None)
    assert len(state.splitlines()) == 1
    assert state.isascii()
