"""Several stations on one screen: the worst first, with a word and a symbol, and what to do about them."""

import itertools

import pytest
from rich.cells import cell_len

from eyebolt.monitor.operator_prompt import operator_prompt_for
from eyebolt.monitor.overview import WatchedStation, render_overview, worst_first
from eyebolt.monitor.screen import render_screen, status_line
from support.status_messages import make_status

OFFLINE = {"is_connected": False, "message": "no image for 12 s"}
GOOD = {"acceptance": {"status": "accept", "reason": ""}, "p95_upper_mm": 0.4, "used": 8, "excluded": 0}
KEPT = {"seq": 12, "code": 0, "message": "kept", "remedy": ""}
STATUSES = {
    "in-use": make_status(phase="closed", wanted=0, result=GOOD, is_accepted=True),
    "kept": make_status(last_reply=KEPT),
    "capturing": make_status(phase="working"),
    "idle": make_status(phase="idle", session=None, kept=0, last_reply=None, p95_upper_mm=None),
    "waiting-for-the-engineer": make_status(phase="closed", wanted=0, result=GOOD),
    "refused": make_status(),
    "camera": make_status(camera=OFFLINE),
}
STATIONS = [WatchedStation(name, status, 0.2) for name, status in STATUSES.items()]
STATIONS += [
    WatchedStation("silent", STATUSES["kept"], 61.0),
    WatchedStation("bay-4", STATUSES["kept"], 0.2, expected_station="bay-4"),
]


def lines_of(stations=STATIONS, width=80, height=24):
    return render_overview(stations, width, height, colour=False, ascii_only=True)


def test_the_worst_station_comes_first_and_each_has_a_line():
    names = [station.name for station in worst_first(STATIONS)]
    assert set(names[:3]) == {"camera", "silent", "bay-4"}
    assert set(names[3:5]) == {"waiting-for-the-engineer", "refused"}
    assert names[5:7] == ["idle", "capturing"]
    assert set(names[7:]) == {"in-use", "kept"}
    lines = lines_of()
    assert [next(i for i, line in enumerate(lines) if name in line) for name in names] == list(range(2, 11))
    assert "9 stations" in lines[0]
    assert "3 faulty" in lines[0]


def test_a_line_has_a_symbol_and_a_word_and_old_values_are_not_shown():
    lines = {line.split()[2]: line for line in lines_of()[2:11]}
    assert lines["camera"].startswith("!! CAMERA")
    assert "7 of 13 pairs" in lines["camera"]
    assert lines["in-use"].startswith("ok DONE")
    for name in ("silent", "bay-4"):
        assert "7 of" not in lines[name]


def test_what_to_do_about_the_worst_stands_below_as_far_as_there_is_room():
    text = " ".join(lines_of(height=40))
    for station in worst_first(STATIONS)[:4]:
        assert f"{station.name}: " in text
    assert "eyebolt accept" in text
    assert "> " not in "".join(lines_of(height=11)[11:])


def test_with_little_room_the_stations_that_need_least_are_counted():
    lines = lines_of(height=6)
    assert lines[-1] == "and 6 more that need less"
    assert len(lines) == 6


@pytest.mark.parametrize("size", list(itertools.product((1, 20, 40, 80, 200), (1, 2, 5, 24, 60))))
def test_it_fits_every_size(size):
    lines = lines_of(STATIONS, *size)
    assert 0 < len(lines) <= size[1]
    assert all(cell_len(line) <= size[0] for line in lines)


def test_of_another_station_nothing_is_shown_but_its_name():
    status = make_status(last_reply=KEPT)
    assert operator_prompt_for(status, 0.2, "bay-3").headline == "NEXT"
    assert operator_prompt_for(status, 0.2, "bay-4").headline == "OTHER"
    text = " ".join(render_screen(status, 0.2, 80, 24, colour=False, expected_station="bay-4"))
    line = status_line(status, 0.2, "bay-4")
    for shown in (text, line):
        assert "bay-3" in shown
        assert "bay-4" in shown
        assert "kept" not in shown.lower()
