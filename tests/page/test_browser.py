"""The page in a real browser: what it shows of each message, to eyes at three widths and to a screen reader."""

import contextlib
import dataclasses
import gc
import re
import ssl
import threading
import warnings

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration import AcceptanceCause, ResultAcceptance
from eyebolt.calibration.uncertainty.expected_error import ErrorMap
from eyebolt.geometry import Mount
from eyebolt.monitor import operator_prompt_for
from eyebolt.page import app, page_access
from eyebolt.page.server import PageServer
from eyebolt.results.document import Provenance, ResultDocument
from eyebolt_sim.transforms import matrix
from support.browser import Browser, missing_browser
from support.daemon_process import free_ports
from support.published_status import PublishedStatus
from support.solutions import made_up_solution, result_format
from support.status_messages import make_status
from support.view_messages import make_view

# A real browser is outside the project: CI notices if these did not run.
pytestmark = [
    pytest.mark.evidence,
    pytest.mark.skipif(bool(missing_browser()), reason=missing_browser()),
]

# 320 px: a window of 1280 px at 400 % (WCAG 2.2, success criterion 1.4.10).
WIDTHS = (320, 360, 768, 1280)
REFUSAL = {
    "seq": 12,
    "verb": "capture",
    "code": 23,
    "message": "the image is blurred",
    "remedy": "let the arm come to rest",
}
REFUSAL["measure"] = {"quantity": "edge blur", "value": 2.3121, "limit": 1.5, "unit": "px", "source": ""}
KEPT = {"seq": 13, "verb": "capture", "code": 0, "message": "kept", "remedy": ""}
SLIPPED = {"code": "board-moved", "severity": "warn", "message": "the board moved", "remedy": "fasten the board."}
NOTE = {
    "code": "arm-limited",
    "severity": "note",
    "message": "the arm limits the error",
    "remedy": "take more waypoints.",
}
VIEWS = [
    {"outline": [[0.1, 0.1], [0.4, 0.1], [0.4, 0.4], [0.1, 0.4]], "tilt_deg": 30.0, "tilt_direction_deg": 0.0},
    {"outline": [[0.6, 0.6], [0.9, 0.6], [0.9, 0.9], [0.6, 0.9]], "tilt_deg": 25.0, "tilt_direction_deg": 90.0},
    {"outline": [[0.3, 0.3], [0.6, 0.3], [0.6, 0.6], [0.3, 0.6]], "tilt_deg": 2.0, "tilt_direction_deg": 180.0},
]
VIEWS = [view | {"distance_mm": 500.0 + 100 * k, "is_used": k != 1} for k, view in enumerate(VIEWS)]
PROOF = {"time_s": 1.0, "distance_px": 0.41, "distance_mm": 0.21, "p95_px": 0.62, "p95_mm": 0.33, "allowed_mm": 0.5}
PROOF |= {"views": 8, "consistent": True, "message": "the board is where the result puts it", "remedy": ""}
RESULT = {
    "acceptance": {"status": "accept", "reason": "two checks agree"},
    "p95_upper_mm": 0.41,
    "used": 8,
    "excluded": 0,
}


RESULT_SESSION = "20261201-080000-01"


def write_result(record_folder):
    """A session with a result of which one point of the second plane is above the tolerance of 1 mm."""
    planes = np.array([[[0.1, 0.2], [0.3, 0.4]], [[0.1, 0.2], [0.3, 1.2]]])
    error_map = ErrorMap(np.array([0.0, 319.0]), np.array([0.0, 239.0]), np.array([0.5, 0.9]), planes)
    outcome = made_up_solution(0.4, error_map=error_map, X=matrix(Rotation.identity(), [0.001, 0.002, 0.003]))
    provenance = Provenance("bay-3", RESULT_SESSION, Mount.FIXED, result_format(), {}, "2026-12-01T08:00:00Z")
    good = ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "as good as it must be")
    document = ResultDocument.of(provenance, outcome, good)
    folder = record_folder / RESULT_SESSION
    folder.mkdir()
    (folder / "result.json").write_text(document.to_text())


@contextlib.contextmanager
def serving(server):
    """The server in a thread of its own."""
    ready = threading.Event()
    thread = threading.Thread(target=server.run, args=(ready.set,))
    thread.start()
    try:
        assert ready.wait(30)
        yield
    finally:
        server.stop()
        thread.join()


class Station:
    """A published status, the page of it, and the browser that shows it."""

    def __init__(self, browser, published, record_folder):
        self.browser, self.published, self._count = browser, published, 0
        (port,) = free_ports(1)
        self.address = f"http://127.0.0.1:{port}/"
        access = page_access(f"127.0.0.1:{port}")
        self.server = PageServer(published.endpoint, None, access, record_folder, "bay-3")
        self._serving = contextlib.ExitStack()
        self._serving.enter_context(serving(self.server))

    def stop(self):
        self._serving.close()

    def shows(self, **changes):
        """Publishes a status with these keys, and waits until the page shows it; the prompt that it must show."""
        self._count += 1
        status = make_status(**{"session": f"20261201-150213-{self._count:02d}"} | changes)
        self.published.status = status
        self.browser.until(lambda: self.text("session") == f"session {status.session}", f"the status with {changes}")
        return operator_prompt_for(status, 0.0)

    def sees(self, message, jpeg):
        """Publishes a view."""
        self.published.parts = [b"view", message.to_json(), jpeg]

    def text(self, name):
        return self.browser.text(name)

    def nodes(self, role):
        return [node for node in self.browser.accessibility_tree() if node["role"] == role]


@pytest.fixture(scope="module")
def browser():
    with Browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def station(browser, tmp_path_factory):
    record_folder = tmp_path_factory.mktemp("record")
    write_result(record_folder)
    with PublishedStatus(make_status()) as published:
        made = Station(browser, published, record_folder)
        browser.show_as(360)
        browser.open(made.address)
        try:
            yield made
        finally:
            made.stop()


@pytest.fixture(autouse=True)
def _no_complaint(station):
    """No test makes the browser complain: an error of the script, or something that the policy has refused."""
    yield
    assert station.browser.complaints() == []


def test_a_browser_that_has_brought_the_token_once_is_let_in_and_no_other(station, tls_files):
    """Over TLS; by the cookie, which no script sees, and which another browser does not have."""
    (port,) = free_ports(1)
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(*tls_files)
    access = dataclasses.replace(page_access(f"127.0.0.1:{port}"), token="k" * 43, tls=tls)
    browser = station.browser
    status = make_status()
    station.published.status = status
    with serving(PageServer(station.published.endpoint, None, access, None, "bay-3")):
        browser.open(f"{access.origin}/")
        assert "token" in browser.run("return document.body.innerText")
        browser.driver.get(f"{access.origin}/?token={'k' * 42}l")
        assert "token" in browser.run("return document.body.innerText")
        browser.driver.get(f"{access.origin}/?token={access.token}")
        browser.until(lambda: browser.text("session") == f"session {status.session}", "the page")
        assert browser.run("return location.href + document.cookie") == f"{access.origin}/"
        browser.driver.get(f"{access.origin}/")
        browser.until(lambda: browser.text("session") == f"session {status.session}", "the page by its cookie")
        browser.driver.delete_all_cookies()
        browser.driver.get(f"{access.origin}/")
        assert "token" in browser.run("return document.body.innerText")
    # The browser notes each refusal.
    assert all("401" in complaint for complaint in browser.complaints())
    browser.open(station.address)
    # A browser connects in advance: what is in its TLS handshake, the server does not know and cannot close.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


@pytest.fixture(scope="module")
def picture():
    """A gray picture of 320 x 240 px with a bright left half, as a JPEG."""
    pixels = np.full((240, 320), 40, np.uint8)
    pixels[:, :160] = 200
    return cv2.imencode(".jpg", pixels)[1].tobytes()


def test_nothing_is_loaded_from_elsewhere(station):
    station.browser.open(station.address)
    station.shows()
    requested = station.browser.requested()
    assert len(requested) >= 5
    assert all(address.startswith(station.address) for address in requested), requested


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"last_reply": KEPT},
        {"phase": "working"},
        {"phase": "stopped", "last_reply": REFUSAL | {"code": 34, "message": "something slipped"}},
        {"phase": "closed", "result": RESULT},
        {"camera": {"is_connected": False, "message": "no image for 12 s"}},
        {"station": "bay-3", "last_reply": REFUSAL | {"message": "<b>bold</b> & <img src=x onerror=alert(1)>"}},
    ],
    ids=["refused", "kept", "working", "stopped", "ended", "camera lost", "markup"],
)
def test_the_sentence_that_tells_what_to_do_is_that_of_the_terminal(station, changes):
    prompt = station.shows(**changes)
    shown = [station.text(f"now-{part}") for part in ("word", "remedy", "message", "command")]
    assert shown == [prompt.headline, prompt.remedy, prompt.message, prompt.command]
    # A screen reader is told, and that the page has changed by itself.
    (told,) = station.nodes("status")
    assert (told["live"], told["atomic"]) == ("polite", True)
    assert station.text("announcement") == f"{prompt.message} {prompt.remedy}"
    assert prompt.headline in [node["name"] for node in station.nodes("heading")]


def test_the_counter_and_the_way_to_the_goal(station):
    station.shows(kept=7, wanted=6, refused=2, checks=1)
    assert station.text("kept") == "7"
    assert "13" in station.text("kept-of")
    assert station.text("count-rest") == "2 refused, 1 check"
    count = "return document.querySelectorAll(`#count-marks .${arguments[0]}-mark`).length"
    assert [station.browser.run(count, kind) for kind in ("kept", "open")] == [7, 6]
    station.shows(kept=9, wanted=0)
    assert station.text("kept-of") == ""
    assert [station.browser.run(count, kind) for kind in ("kept", "open")] == [9, 0]


def test_the_expected_error_over_the_pairs_against_the_tolerance(station):
    """Higher in the chart is a larger error, and what is below the line of the tolerance is within it."""
    station.shows(p95_upper_history_mm=[None, None, 2.31, 0.9], p95_upper_mm=0.9, kept=4)
    heights = station.browser.run(
        "return [...document.querySelectorAll('#error-chart .dot')].map(dot => Number(dot.getAttribute('cy')))"
    )
    line = station.browser.run("return document.querySelector('#error-chart .tolerance').getAttribute('d')")
    assert heights[0] < float(line.split()[1].split("H")[0]) < heights[1]
    assert "0.90 mm" in station.text("error-words")
    assert "1.00 mm" in station.text("error-words")
    assert any("0.90 mm" in node["name"] for node in station.nodes("image"))


def test_where_the_board_has_been_and_what_is_missing(station):
    next_view = {"message": "tilt the board 45 deg", "p95_upper_mm": 1.2, "pose": [1.0]}
    progress = {"message": "", "coverage": None, "next_view": next_view}
    station.shows(kept_views=VIEWS, progress=progress)
    count = "return document.querySelectorAll(arguments[0]).length"
    assert station.browser.run(count, "#image-chart .been") == station.browser.run(count, "#tilt-chart .dot") == 3
    assert station.browser.run(count, "#covered .been.unused, #covered .dot.unused") == 3
    # Four by four parts: the outlines reach into 4, 4 and 4 of them, and share 2.
    assert station.browser.run(count, "#image-chart .unseen-part") == 6
    assert "6 of 16" in station.text("image-words")
    # Tilted right and down; facing the camera is no tilt.
    assert station.browser.run(count, "#tilt-chart .unseen-part") == 2
    words = station.text("tilt-words")
    assert ("left" in words, "up" in words, "right" in words, "down" in words) == (True, True, False, False)
    assert "500 to 700 mm" in station.text("distance-words")
    assert "tilt the board 45 deg" in station.text("next-view")
    images = [node["name"] for node in station.nodes("image")]
    assert {station.text(f"{name}-words") for name in ("image", "tilt", "distance")} <= set(images)


def test_a_refusal_stays_with_its_remedy_when_others_have_followed(station):
    station.shows(last_reply=REFUSAL, last_refusal=REFUSAL)
    # The prompt has both, once.
    assert station.text("refusal") == ""
    assert "2.31 px" in station.text("now-measure")
    assert "1.5 px" in station.text("now-measure")
    station.shows(last_reply=KEPT, last_refusal=REFUSAL)
    assert "blurred" in station.text("refusal-message")
    assert "come to rest" in station.text("refusal-remedy")
    assert "2.31 px" in station.text("refusal-measure")


def test_findings_stand_above_the_picture_and_notes_below(station):
    station.shows(findings=[SLIPPED, NOTE], last_reply=KEPT)
    assert station.text("findings-list").split("\n")[0] == "Attention: the board moved."
    assert "Fasten the board." in station.text("findings-list")
    assert "waypoints" in station.text("notes-list")
    tops = station.browser.run(
        "return ['findings', 'camera', 'notes'].map(name => document.getElementById(name).getBoundingClientRect().top)"
    )
    assert tops == sorted(tops)
    station.shows()
    assert station.text("findings") == station.text("notes") == ""


def test_whether_daemon_robot_and_camera_are_there(station):
    texts = "return [...document.querySelectorAll('#links li')].map(item => item.textContent)"
    station.shows()
    assert station.browser.run(texts) == ["Daemon connected", "Robot connected", "Camera connected"]
    station.shows(robot={"is_connected": False, "message": "disconnected 4 s ago"})
    assert station.browser.run(texts)[1] == "Robot not connected"
    assert "disconnected 4 s ago" in station.text("link-words")
    signs = "return [...document.querySelectorAll('#links use')].map(use => use.getAttribute('href'))"
    assert station.browser.run(signs) == ["#sign-on", "#sign-off", "#sign-on"]
    guided = {"phase": "move-on", "poses_per_s": 125.0, "images_per_s": 29.6}
    station.shows(guidance=guided | {"delay_ms": 61.3, "delay_half_width_ms": 0.8}, log_lines_lost=3)
    assert "61.3 ± 0.8 ms" in station.text("link-words")
    assert "3 lines are lost" in station.text("note")


def test_the_picture_with_the_corners_drawn_in(station, picture):
    message = make_view(found=True, predicted_outline_px=[[64.0, 41.0], [184.0, 43.0], [186.0, 161.0], [65.0, 159.0]])
    station.shows()
    station.sees(message, picture)
    station.browser.until(lambda: "4 corners" in station.text("seen"), "the view")
    row = np.array(
        station.browser.run(
            "return [...document.getElementById('picture').getContext('2d').getImageData(0, 120, 320, 1).data]"
        )
    ).reshape(320, 4)
    assert np.abs(row[[40, 280]] - [[200, 200, 200, 255], [40, 40, 40, 255]]).max() < 4
    path = "return document.querySelector(`#overlay .${arguments[0]}`).getAttribute('d')"
    assert station.browser.run(path, "corner").count("h0") == 4
    assert station.browser.run(path, "seen") == "M60 40L180 42L182 160L61 158Z"
    assert station.browser.run(path, "predicted") == "M64 41L184 43L186 161L65 159Z"
    # Drawn where they are in the picture as it is shown: corners and outline, with a pixel's centre at integers.
    corners, outline, frame = station.browser.run(
        "const box = (e) => { const { left, top, width } = e.getBoundingClientRect(); return [left, top, width]; };"
        "return ['#overlay .corner', '#overlay .seen', '#picture'].map(name => box(document.querySelector(name)))"
    )
    scale = frame[2] / 320
    assert [corners[k] - frame[k] for k in (0, 1)] == pytest.approx([101.0 * scale, 80.5 * scale], abs=4)
    assert [outline[k] - frame[k] for k in (0, 1)] == pytest.approx([60.5 * scale, 40.5 * scale], abs=4)
    assert "0.70 px" in station.text("figures")
    assert any("4 corners" in node["name"] for node in station.nodes("image"))
    assert station.text("key").split("\n") == ["seen here", "corner found", "expected here by the result"]

    station.sees(make_view(found=False), picture)
    station.browser.until(lambda: "No board in the image." in station.text("seen"), "the view without a board")
    assert "Move the arm into view." in station.text("seen")
    assert station.text("key") == ""
    blind = {"view_size": None, "brightness": None, "saturated_fraction": None}
    reason = {"code": 30, "message": "no image came", "remedy": ""}
    station.sees(make_view(found=False, reason=reason, **blind), b"")
    station.browser.until(lambda: "no image came" in station.text("no-picture").lower(), "the reason")


def test_whether_the_result_in_use_still_holds(station):
    station.shows(proof=PROOF)
    assert station.text("proof-answer") == "Yes"
    figures = station.text("proof-figures")
    assert all(text in figures for text in ("0.21 mm", "0.41 px", "0.33 mm", "0.62 px", "8 places", "0.50 mm"))
    off = {"consistent": False, "p95_mm": 1.7, "message": "the board is 1.70 mm off", "remedy": "calibrate again"}
    prompt = station.shows(proof=PROOF | off, last_reply=KEPT)
    assert station.text("proof-answer") == "No"
    assert "not seen where" in station.text("proof-words")
    assert "1.70 mm" in station.text("proof-figures")
    assert station.text("now-remedy") == prompt.remedy
    station.shows(proof=PROOF | {"allowed_mm": None, "consistent": None})
    assert station.text("proof-answer") == "Not known"
    station.shows()
    assert station.text("proof") == ""


def test_the_result_with_its_error_map(station):
    station.shows(phase="open", result=RESULT, last_reply=KEPT)
    assert station.text("result") == ""
    station.shows(session=RESULT_SESSION, phase="closed", result=RESULT, wanted=0, is_accepted=True)
    station.browser.until(lambda: "base_T_camera" in station.text("result-figures"), "the result")
    assert "0.41 mm" in station.text("result-line")
    assert "1.000, 2.000, 3.000 mm" in station.text("result-figures")
    maps = [node["name"] for node in station.nodes("image") if node["name"].startswith("At ")]
    assert maps == [
        "At 500 mm: 0.10 to 0.40 mm, all within the tolerance.",
        "At 900 mm: 0.10 to 1.20 mm, 1 of 4 points above the tolerance.",
    ]
    # Not by its colour alone.
    assert station.browser.run("return document.querySelectorAll('#map .over-hatch').length") == 1
    values = station.browser.run("return [...document.querySelectorAll('#map text')].map(text => text.textContent)")
    assert values == ["0.10", "0.20", "0.30", "0.40", "0.10", "0.20", "0.30", "1.20"]


EVERYTHING = {
    "findings": [SLIPPED | {"message": "the board moved " * 12}, NOTE],
    "last_reply": KEPT,
    "last_refusal": REFUSAL | {"remedy": "a/very/long/path/" * 20},
    "kept_views": VIEWS,
    "proof": PROOF,
    "result": RESULT,
    "wanted": 0,
    "p95_upper_history_mm": [None, None, 2.31, 0.9],
}


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_is_wider_than_the_window(station, width):
    station.browser.show_as(width)
    station.shows(**EVERYTHING)
    root = "document.documentElement"
    assert station.browser.run(f"return [{root}.scrollWidth, {root}.clientWidth]") == [width, width]
    clipped = station.browser.run(
        "return [...document.querySelectorAll('main p, main dd, main li, main h2')].filter(e => e.offsetParent"
        " && e.scrollWidth > e.clientWidth + 1).map(e => e.id || e.textContent)"
    )
    assert clipped == []


def luminance(colour):
    """Relative luminance of an sRGB colour, WCAG 2.2."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in np.array(colour) / 255]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


INK_AND_PAPER = """
const numbers = (text) => text.match(/[0-9.]+/g).map(Number);
const paper = (element) => {
  for (let e = element; e; e = e.parentElement) {
    const colour = numbers(getComputedStyle(e).backgroundColor);
    if (colour.length < 4 || colour[3] > 0) return colour;
  }
  return [255, 255, 255];
};
const hasText = (e) => [...e.childNodes].some((node) => node.nodeType === 3 && node.data.trim());
return [...document.querySelectorAll("body *")]
  .filter((e) => e.offsetParent && !e.closest("#stage, .unseen") && hasText(e))
  .map((e) => [e.id || e.textContent, numbers(getComputedStyle(e).color), paper(e)]);
"""


@pytest.mark.parametrize("is_dark", [False, True], ids=["light", "dark"])
def test_every_text_is_legible_in_light_and_dark(station, is_dark):
    """WCAG 2.2, success criterion 1.4.3: a contrast of 4.5 to 1."""
    station.browser.show_as(360, is_dark=is_dark)
    low = {}
    for changes in (EVERYTHING, {"phase": "stopped"}, {"phase": "working"}):
        station.shows(**changes)
        pairs = station.browser.run(INK_AND_PAPER)
        assert len(pairs) > 10
        for name, ink, paper in pairs:
            light, dark = sorted((luminance(ink[:3]), luminance(paper[:3])), reverse=True)
            if (light + 0.05) / (dark + 0.05) < 4.5:
                low[name] = (ink, paper)
    assert low == {}
    colour = station.browser.run("return getComputedStyle(document.documentElement).backgroundColor")
    assert (luminance([int(number) for number in re.findall("[0-9]+", colour)]) < 0.2) == is_dark


def test_nothing_moves_for_who_prefers_less_motion(station):
    station.browser.show_as(360, less_motion=True)
    station.shows(**EVERYTHING)
    assert station.browser.run("return document.getAnimations().length") == 0


def test_every_part_has_a_name_for_a_screen_reader(station):
    station.browser.show_as(360)
    station.shows(**EVERYTHING)
    regions = [node["name"] for node in station.nodes("region")]
    assert all(regions)
    assert len(set(regions)) == len(regions)
    assert "Connections" in [node["name"] for node in station.nodes("list")]
    assert all(node["name"] for node in station.nodes("image"))
    assert len(station.nodes("main")) == len(station.nodes("banner")) == len(station.nodes("contentinfo")) == 1
    headings = [node["level"] for node in station.nodes("heading")]
    assert headings[0] == 1
    assert set(headings) == {1, 2}
    assert station.browser.run("return document.documentElement.lang") == "en"


def test_another_station_at_the_address_is_named_and_not_shown(station):
    station.shows()
    station.published.status = make_status(station="bay-4", kept=3)
    prompt = operator_prompt_for(station.published.status, 0.0, "bay-3")
    station.browser.until(lambda: station.text("now-word") == prompt.headline, "the other station")
    assert station.text("now-message") == prompt.message
    assert station.text("count") == ""
    station.shows()
    assert station.text("kept") == "7"


def test_one_browser_too_many_is_told_so(station, monkeypatch):
    monkeypatch.setattr(app, "MAX_BROWSERS", 0)
    station.browser.open(station.address)
    station.browser.until(lambda: "too many browsers" in station.text("now-message"), "the reason")
    monkeypatch.undo()
    station.browser.until(lambda: station.text("now-word") != "LOST", "the page")
    # The browser notes each refusal.
    complaints = station.browser.complaints()
    assert all("503" in complaint for complaint in complaints), complaints


def test_a_silent_daemon(station, picture):
    station.shows()
    station.sees(make_view(found=True), picture)
    station.browser.until(lambda: station.text("no-picture") == "", "the view")
    station.published.status = station.published.parts = None
    station.browser.until(lambda: station.text("now-word") == "DAEMON", "that the daemon is silent")
    assert "out of date" in station.text("now-message")
    assert station.browser.run("return document.querySelector('#links li').textContent") == "Daemon silent"
    assert station.browser.run("return document.querySelectorAll('#links use[href=\"#sign-unknown\"]').length") == 2
    # Nobody takes the last picture for the present one.
    station.browser.until(lambda: "the daemon is silent" in station.text("no-picture"), "that there is no picture")
    station.shows()


def test_a_page_that_has_lost_its_program_tells_that_from_a_silent_daemon(station):
    browser = station.browser
    (port,) = free_ports(1)
    access = page_access(f"127.0.0.1:{port}")
    station.published.status = status = make_status()
    with serving(PageServer(station.published.endpoint, None, access, None, "bay-3")):
        browser.open(f"{access.origin}/")
        browser.until(lambda: browser.text("session") == f"session {status.session}", "the page")
    browser.until(lambda: browser.text("now-word") == "LOST", "that the page has lost its program")
    assert "eyebolt page" in browser.text("now-remedy")
    assert browser.run("return document.querySelector('#links li').textContent") == "Daemon unknown"
    assert browser.text("no-picture") == "No picture."
    # The browser notes each request in vain.
    assert all("ERR_CONNECTION_REFUSED" in text or "ERR_INCOMPLETE" in text for text in browser.complaints())
    browser.open(station.address)
