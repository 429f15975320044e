"""The scripts of robot_scripts, run by small interpreters of their languages against the protocol itself.

Every line that a script sends is parsed by ``eyebolt.protocol``, every reply is encoded by it, in whole sessions and
with each reply code, lost replies, interrupted sessions and the largest numbers. All statements of each script are
executed, so that no line it can send and no reply it can read is left out; and changed scripts are found.
"""

import re

import pytest

from eyebolt.geometry import PoseFormat
from eyebolt.protocol import Code
from support.robot_languages import DIALECTS, ScriptError
from support.robot_languages.cell import RESULT, Cell, Daemon, Plan
from support.robot_languages.stations import SCRIPTS, STATIONS, TAUGHT, changed, stored_frame, taught, texts_of

# A new session in place of the open one, where a setting decides and not the operator.
NEW = {"krl": ("eye_new=FALSE", "eye_new=TRUE"), "rotation_vector_script": ("begin_new = False", "begin_new = True")}
README = (SCRIPTS / "README.md").read_text("ascii")
EACH = pytest.mark.parametrize("language", STATIONS)
YES, NO = 1, 2
STRING_CHARACTERS = 80  # of most controllers, with the ending


def pose_of(language):
    pose_format, *_ = STATIONS[language]
    return (
        (111.1, 222.2, 333.3, 0.5, -0.5, 0.5, -0.5) if pose_format.is_quaternion else (-0.111, 2.2, 3.3, 0.4, -0.5, 0.6)
    )


class Run:
    """One run of ``calibrate`` (or another script): what it sent, and what the cell saw."""

    def __init__(
        self,
        language,
        plan,
        answers=(),
        texts=None,
        name="calibrate",
        pose=None,
        pose_format=None,
        most_lines=None,
        **cell,
    ):
        dialect = DIALECTS[language]
        self.daemon = Daemon(pose_format or STATIONS[language][0], plan)
        self.cell = Cell(self.daemon, pose_of(language) if pose is None else pose, answers)
        self.cell.most_lines = most_lines
        for key, value in cell.items():
            setattr(self.cell, key, value)
        texts = taught(language) if texts is None else texts
        self.program = dialect.program(texts, self.cell)
        dialect.run(self.program, name)

    @property
    def verbs(self):
        """Verb and number of each line but ``hello``."""
        return [(request.verb, request.seq) for request in self.daemon.requests if request.verb != "hello"]

    @property
    def places(self):
        """How many moves precede each of these lines."""
        lines = zip(self.daemon.requests, self.cell.places, strict=False)
        return [place for request, place in lines if request.verb != "hello"]


def has_dialog(language):
    """Whether the operator is asked about an open session, and whether a stop may be answered with giving up."""
    return language != "rotation_vector_script"


# Where the first five steps lead to, as the script writes it, with the numbers of what it computes.
STEPS = {
    "rapid": ["w1", "RelTool(w1,100,0,0)", "RelTool(w1,0,100,0)", "RelTool(w1,0,0,-100)", "w2"],
    "krl": [
        "XW1",
        "XW1:[100.0, 0.0, 0.0, 0.0, 0.0, 0.0]",
        "XW1:[0.0, 100.0, 0.0, 0.0, 0.0, 0.0]",
        "XW1:[0.0, 0.0, -100.0, 0.0, 0.0, 0.0]",
        "XW2",
    ],
    "karel": ["1 + [0, 0, 0]", "1 + [100.0, 0, 0]", "1 + [0, 100.0, 0]", "1 + [0, 0, -100.0]", "2 + [0, 0, 0]"],
    "rotation_vector_script": [
        "[1, 0, 0, 0, 0, 0]",
        "pose_trans(get_forward_kin([1, 0, 0, 0, 0, 0]),[0.1, 0, 0, 0, 0, 0])",
        "pose_trans(get_forward_kin([1, 0, 0, 0, 0, 0]),[0, 0.1, 0, 0, 0, 0])",
        "pose_trans(get_forward_kin([1, 0, 0, 0, 0, 0]),[0, 0, -0.1, 0, 0, 0])",
        "[2, 0, 0, 0, 0, 0]",
    ],
    "spel": ["P1", "P1+TLX(100)", "P1+TLY(100)", "P1+TLZ(-100)", "P(2)"],
    "val3": [
        "pPoint[0]",
        "appro(pPoint[0],[100, 0.0, 0.0, 0.0, 0.0, 0.0])",
        "appro(pPoint[0],[0.0, 100, 0.0, 0.0, 0.0, 0.0])",
        "appro(pPoint[0],[0.0, 0.0, -100, 0.0, 0.0, 0.0])",
        "pPoint[1]",
    ],
    "melfa_basic": [
        "PW(1)",
        "PW(1)*[100, 0.0, 0.0, 0.0, 0.0, 0.0]",
        "PW(1)*[0.0, 100, 0.0, 0.0, 0.0, 0.0]",
        "PW(1)*[0.0, 0.0, -100, 0.0, 0.0, 0.0]",
        "PW(2)",
    ],
    "as": [
        "eb_w[1]",
        "eb_w[1]+ TRANS(100,0,0,0,0,0)",
        "eb_w[1]+ TRANS(0,100,0,0,0,0)",
        "eb_w[1]+ TRANS(0,0,-100,0,0,0)",
        "eb_w[2]",
    ],
}


# Whole sessions


def whole_session(language, texts=None):
    answers = [YES, YES, YES]
    run = Run(language, Plan(others={"result": [36]}), answers, texts)
    assert run.verbs == [
        ("begin", 901), ("capture", 902), ("capture", 903), ("capture", 904), ("capture", 905), ("check", 906),
        ("solve", 907), ("bye", 908), ("result", 909), ("result", 910),
    ]  # fmt: skip
    # Waypoint 1, the ruler from it, and waypoint 1 again for the check.
    assert run.cell.moves == [*STEPS[language][:4], STEPS[language][0]]
    assert run.cell.answers == []
    assert run.cell.waited_s >= 5 * 0.5
    return run


@EACH
def test_a_whole_session(language):
    run = whole_session(language)
    told = " ".join(run.cell.told)
    if language != "melfa_basic":  # it has no text for the operator
        assert "999999" in told
        assert "36" in told


@EACH
def test_all_waypoints_are_visited_if_more_pairs_are_wanted(language):
    run = Run(language, Plan(pairs=40), [NO])
    captures = [seq for verb, seq in run.verbs if verb == "capture"]
    assert captures == list(range(902, 917))
    assert run.cell.moves[:5] == STEPS[language]
    assert len(set(run.cell.moves[:15])) == 15
    assert run.cell.moves[15:] == [STEPS[language][0]]


@EACH
def test_nothing_moves_and_nothing_is_sent_before_the_waypoints_were_taught(language):
    run = Run(language, Plan(), texts=texts_of(language, "calibrate"), answers=[YES])
    assert (run.cell.moves, run.daemon.lines) == ([], [])


# The result


def numbers_of_result(language):
    pose_format, *_ = STATIONS[language]
    return RESULT["quaternion" if pose_format.is_quaternion else pose_format.length]


@EACH
def test_the_result_is_taken_over_on_the_second_key_only_with_old_minus_new_shown_before(language):
    taken, kept = (Run(language, Plan(), [YES, answer]) for answer in (YES, NO))
    assert stored_frame(taken.program, language) == pytest.approx(numbers_of_result(language), abs=1e-9)
    assert stored_frame(kept.program, language) != pytest.approx(numbers_of_result(language), abs=1e-3)
    old = [0, 0, 0, 1, 0, 0, 0] if language == "rapid" else [0] * 6
    expected = [before - new for before, new in zip(old, numbers_of_result(language), strict=True)]
    if language == "melfa_basic":
        shown = [kept.program.variables["mdiff"][index] for index in range(1, 7)]
    else:
        shown = [float(text.split(":")[-1]) for text in kept.cell.told if text.startswith("old - new")]
    assert shown == pytest.approx(expected, rel=1e-5, abs=1e-6)
    # Not before the operator's key, and not at all if it is the other one.
    assert [verb for verb, _ in Run(language, Plan(), [NO]).verbs].count("result") == 0


# Reply codes


def each_code(language, code, texts=None):
    """What a script does after ``code`` as the reply to its first capture, up to a few lines later."""
    follows = [0] if 10 <= code <= 19 else []
    run = Run(language, Plan(captures=[code, *follows]), [YES, YES, YES], texts, most_lines=5)
    after, places = run.verbs[2:], run.places[2:]
    if code <= 9:
        assert (after[0], places[0]) == (("capture", 903), 2)
    elif code <= 19:
        assert (after[:2], places[:2]) == ([("again", 902), ("capture", 903)], [1, 2])
    elif code <= 29:
        # Once more at this place; kept now.
        assert (after[:2], places[:2]) == ([("capture", 903), ("capture", 904)], [1, 2])
        twice = Run(language, Plan(captures=[code, code]), [YES], texts, most_lines=4)
        assert (twice.verbs[2:], twice.places[2:]) == ([("capture", 903), ("capture", 904)], [1, 2])
        assert twice.cell.asked == []
    elif code <= 39:
        # The operator is asked; the same place again.
        assert len(run.cell.asked) == 1
        assert (after[:2], places[:2]) == ([("capture", 903), ("capture", 904)], [1, 2])
        stopped = Run(language, Plan(captures=[code]), [NO], texts)
        assert stopped.verbs == [("begin", 901), ("capture", 902)]
    else:
        assert after == []
        assert len(run.cell.moves) == 1
        assert run.cell.asked == []


@EACH
def test_every_range_of_codes_of_a_capture_is_branched_on(language):
    for code in (0, 1, 3, 4, 9, 10, 15, 19, 20, 26, 29, 30, 34, 37, 39, 40, 45, 49):
        each_code(language, code)


@EACH
def test_behind_a_stop_a_place_has_its_second_try_again(language):
    run = Run(language, Plan(captures=[20, 30, 20, 0]), [YES], most_lines=6)
    assert run.places == [0, 1, 1, 1, 1, 2]


@EACH
@pytest.mark.parametrize("code", [10, 19])
def test_a_program_stops_polling_after_half_a_minute(language, code):
    run = Run(language, Plan(captures=[code] * 100))
    assert [verb for verb, _ in run.verbs].count("again") == 60
    assert run.verbs[-1] == ("again", 902)
    assert 30 <= run.cell.waited_s < 40


@EACH
@pytest.mark.parametrize("code", [28, 35, 39, 40])
def test_a_session_without_a_result_stays_open(language, code):
    run = Run(language, Plan(solve=code), [YES, NO])
    assert ("bye", 908) not in run.verbs
    if code > 39:
        assert run.verbs[-1] == ("solve", 907)


@EACH
@pytest.mark.parametrize(("verb", "code"), [("hello", 46), ("begin", 31), ("begin", 45), ("bye", 31)])
def test_other_failures_end_the_program(language, verb, code):
    plan = Plan(hello=[code]) if verb == "hello" else Plan(others={verb: [code]})
    run = Run(language, plan)
    assert {request.verb for request in run.daemon.requests[-1:]} == {verb}
    assert run.cell.asked == []


# Connections


@EACH
@pytest.mark.parametrize("kind", ["lost", "cut", "closed"])
def test_a_lost_reply_is_asked_for_again_on_a_new_connection(language, kind):
    whole = Run(language, Plan(), [NO])
    number = whole.daemon.lines.index(
        next(line for line in whole.daemon.lines if "capture 903" in " ".join(line.split()) or "000903" in line)
    )
    run = Run(language, Plan(**{kind: [number]}), [NO])
    # The same line again, behind a hello: the daemon keeps its reply, and no pair is taken twice.
    assert run.daemon.requests[number + 1].verb == "hello"
    assert run.daemon.lines[number + 2] == run.daemon.lines[number]
    assert run.daemon.kept == 4
    twice = whole.daemon.lines[: number + 1] + whole.daemon.lines[number:]
    assert [line for line in run.daemon.lines if "hello" not in line] == [line for line in twice if "hello" not in line]


@EACH
def test_a_reply_that_comes_twice_is_not_taken_for_the_next_one(language):
    for number in (3, 4):
        run = Run(language, Plan(doubled=[number], captures=[0, 20, 0, 0]), [NO])
        assert run.daemon.kept == 4
        assert {verb for verb, _ in run.verbs[-2:]} == {"solve", "bye"}
        assert run.cell.moves == [*STEPS[language][:4], STEPS[language][0]]


@EACH
def test_without_a_daemon_the_program_gives_up(language):
    run = Run(language, Plan(), refuses=True) if language != "val3" else Run(language, Plan(lost=[-1]))
    assert run.cell.moves == []
    assert run.cell.waited_s < 100
    silent = Run(language, Plan(lost=[-1]), [YES])
    assert silent.cell.moves == []
    assert {request.verb for request in silent.daemon.requests} == {"hello"}


@EACH
def test_an_open_session_goes_on(language):
    run = Run(language, Plan(open_session=(905, 5), pairs=7), [YES, NO] if has_dialog(language) else [NO])
    assert run.verbs[:5] == [
        ("again", 905), ("status", 905), ("capture", 906), ("capture", 907), ("check", 908)
    ]  # fmt: skip
    fresh = Run(language, Plan(pairs=8), [NO])
    assert run.cell.moves[:2] == fresh.cell.moves[5:7]
    # One pair is a session too.
    assert Run(language, Plan(open_session=(905, 1)), [YES], most_lines=4).verbs[1] == ("status", 905)
    # Nothing is wanted any more: no capture at all.
    done = Run(language, Plan(open_session=(905, 5), pairs=5), [YES, NO] if has_dialog(language) else [NO])
    assert done.verbs[2] == ("check", 906)


@EACH
def test_an_open_session_is_left_if_the_operator_wants_it_or_a_stop_ended_it(language):
    if has_dialog(language):
        left = Run(language, Plan(open_session=(905, 5)), [NO], most_lines=5)
    else:
        left = Run(
            language,
            Plan(open_session=(905, 5)),
            [NO],
            changed(taught(language), NEW[language]),
            most_lines=5,
        )
    assert ("begin", 906) in left.verbs
    for code in (31, 34, 39):
        stopped = Run(language, Plan(open_session=(905, 5), last_code=code), [NO], most_lines=5)
        assert stopped.verbs[:2] == [("again", 905), ("begin", 906)]
    camera_lost = Run(language, Plan(open_session=(905, 5), last_code=30, pairs=7), [YES], most_lines=5)
    assert camera_lost.verbs[1] == ("status", 905)
    empty = Run(language, Plan(open_session=(905, 0)), [NO], most_lines=5)
    assert empty.verbs[0] == ("begin", 906)


# Numbers and strings


def extreme_poses(language):
    pose_format, *_ = STATIONS[language]
    scale = {"m": 1e-3, "mm": 1.0}[pose_format.length]
    lengths = [(-9999.9994, -9999.9994, -9999.9994), (-4e-6, 4e-6, -0.0), (0.0006, -0.0006, 1e-20), (1, -10, 9999.999)]
    if pose_format.is_quaternion:
        turns = [
            (-0.5, -0.5, -0.5, -0.5),
            (-0.999999, -1e-6, 1e-6, -0.001),
            (1.0, 0.0, 0.0, -0.0),
            (0.1, -0.7, 0.7, 0.1),
        ]
    elif pose_format.angle == "rad":
        turns = [(-3.1415926, -3.1415926, -3.1415926), (-4e-9, 4e-9, -0.0), (1e-05, -1e-05, 1e-20), (3.14, -0.1, 0.1)]
    else:
        turns = [(-179.99994, -179.99994, -179.99994), (-4e-6, 4e-6, -0.0), (0.00006, -0.00006, 1e-20), (180, -90, 9.5)]
    return [(*(scale * x for x in xyz), *turn) for xyz, turn in zip(lengths, turns, strict=True)]


def check_numbers(language, name, texts=None, lines=3):
    """Each number of a pose arrives as the controller holds it, to the decimals of the language, in a short string."""
    _, length_decimals, decimals = STATIONS[language]
    longest = []
    for pose in extreme_poses(language):
        run = Run(language, Plan(pairs=2), [NO], texts, name, pose=pose, most_lines=lines + 3)
        with_pose = [request for request in run.daemon.requests if request.pose]
        assert len(with_pose) >= 2
        for request in with_pose:
            assert request.pose[:3] == pytest.approx(pose[:3], abs=0.501 * 10**-length_decimals)
            assert request.pose[3:] == pytest.approx(pose[3:], abs=0.501 * 10**-decimals)
        longest.append(max(len(line.rstrip()) for line in run.daemon.lines))
    assert max(longest) <= STRING_CHARACTERS - 2
    if name == "calibrate":
        assert max(longest) == stated_captures()[language][1]


@EACH
@pytest.mark.parametrize("name", ["calibrate", "guide"])
def test_the_largest_and_the_smallest_numbers_arrive_in_short_strings(language, name):
    check_numbers(language, name, texts=texts_of(language, name) if name == "guide" else None)


def stated_captures():
    """The string limit and the longest capture of each language, as the page of the scripts states them."""
    row = r"^\| (.+?) \| `length.*? \| (?:S variables 32, C )?(\d+).*? \| (\d+).*? \| (?:CR|LF)"
    stated = {name: (int(limit), int(longest)) for name, limit, longest in re.findall(row, README, re.MULTILINE)}
    assert stated.pop("INFORM (C)") == (80, 65)
    return dict(zip(STATIONS, stated.values(), strict=True))


@EACH
def test_the_stated_string_limit_is_that_of_the_language(language):
    # In KRL a script declares the length of its strings itself.
    limit, _ = stated_captures()[language]
    assert limit == (80 if language == "krl" else DIALECTS[language].language.string_limit)


@EACH
def test_the_longest_replies_are_read(language):
    run = Run(language, Plan(open_session=(999_900, 0), pairs=2_000_000), [YES, YES, YES], most_lines=6, chunk=3)
    assert max(len(reply.strip(b"\r\n()")) for reply in run.daemon.replies) <= 32
    assert run.verbs[:2] == [("begin", 999_901), ("capture", 999_902)]
    assert run.verbs[2] == ("capture", 999_903)


def four_axes(name):
    """A run of a script for an arm with one angle."""
    changes = [("#define AXES 6", "#define AXES 4"), *([TAUGHT["spel"]] if name == "calibrate" else [])]
    return Run(
        "spel", Plan(), [YES, YES], changed(texts_of("spel", name), *changes), name, (-9999.999, 1.0, 2.0, -179.9999),
        PoseFormat("mm", "angle-z", "deg"), most_lines=12,
    )  # fmt: skip


def test_a_4_axis_arm_sends_one_angle():
    for name in ("calibrate", "guide"):
        run = four_axes(name)
        assert {request.pose for request in run.daemon.requests if request.pose} == {(-9999.999, 1.0, 2.0, -179.9999)}
    assert stored_frame(four_axes("calibrate").program, "spel") == pytest.approx(RESULT["angle-z"])


# Guiding by hand


@EACH
def test_guiding_streams_poses_behind_a_hello(language):
    run = Run(language, Plan(), texts=texts_of(language, "guide"), name="guide", most_lines=5)
    assert [request.verb for request in run.daemon.requests] == ["hello"] + ["pose"] * 5
    assert run.cell.moves == []


@EACH
def test_guiding_goes_on_behind_a_lost_connection_and_does_not_stream_where_it_is_refused(language):
    run = Run(language, Plan(cut=[3]), texts=texts_of(language, "guide"), name="guide", most_lines=8)
    verbs = [request.verb for request in run.daemon.requests]
    assert verbs[:4] == ["hello", "pose", "pose", "pose"]
    assert verbs[4:6] == ["hello", "pose"]
    for code in (45, 46):
        refused = Run(language, Plan(hello=[code]), texts=texts_of(language, "guide"), name="guide", most_lines=4)
        assert {request.verb for request in refused.daemon.requests} == {"hello"}


# The whole script


def executed(language, name):
    """The statements of a script that the runs of this file do not reach, as text."""
    if name == "calibrate":
        runs = [
            Run(language, Plan(pairs=40, captures=[20, 20, 30, 10, 0]), [YES, YES, YES]),
            Run(language, Plan(others={"result": [36]}), [YES, YES, YES]),
            Run(language, Plan(others={"result": [36]}), [YES, NO]),
            Run(language, Plan(), [NO]),
            Run(language, Plan(captures=[34]), [NO]),
            Run(language, Plan(captures=[41])),
            Run(language, Plan(captures=[10] * 80)),
            Run(language, Plan(open_session=(905, 5)), [YES, NO]),
            Run(language, Plan(open_session=(905, 5), last_code=10), [YES]),
            Run(language, Plan(open_session=(905, 5), cut=[2]), [YES]),
            Run(language, Plan(closed=[3]), [NO]),
            Run(language, Plan(doubled=[3]), [NO]),
            Run(language, Plan(open_session=(905, 5), lost=[2, 4, 6]), [YES]),
            Run(language, Plan(), texts=texts_of(language, name), answers=[YES]),
            *[Run(language, Plan(solve=code), [YES, NO]) for code in (28, 35, 41)],
            *[Run(language, Plan(others={verb: [45]})) for verb in ("begin", "bye")],
            *[Run(language, Plan(lost=[n, n + 2, n + 4]), [YES]) for n in (2, 3, 7, 8, 9)],
            *[Run(language, Plan(lost=[n, n + 2, n + 4]), [YES]) for n in (10, 11)],
            Run(language, Plan(hello=[46])),
            Run(language, Plan(hello=[0, 45] if language != "val3" else [45])),
            Run(language, Plan(lost=[-1])),
        ]
        if language != "val3":
            runs.append(Run(language, Plan(), refuses=True))
        if language in NEW:
            runs.append(Run(language, Plan(open_session=(905, 5)), [NO], changed(taught(language), NEW[language])))
    else:
        texts = texts_of(language, name)
        runs = [
            Run(language, Plan(cut=[3]), texts=texts, name=name, most_lines=8),
            Run(language, Plan(lost=[0]), texts=texts, name=name, most_lines=3) if language != "melfa_basic" else None,
            Run(language, Plan(hello=[45]), texts=texts, name=name, most_lines=4),
            Run(language, Plan(cut=[0]), texts=texts, name=name, most_lines=4) if language != "melfa_basic" else None,
        ]
    if language == "spel":
        runs.append(four_axes(name))
    runs = [run for run in runs if run is not None]
    reached = set().union(*(run.program.executed for run in runs))
    lines = texts_of(language, name)[-1].splitlines()
    return [lines[number - 1].strip() for number in sorted(runs[0].program.script.statements - reached)]


@EACH
@pytest.mark.parametrize("name", ["calibrate", "guide"])
def test_every_statement_is_executed_by_the_runs_of_this_file(language, name):
    assert executed(language, name) == []


# Changed scripts are found

# A change of a format, a limit, a verb, a reader or a branch of each script.
CHANGES = {
    "rapid": [
        ("p.rot.q4, 5)", "p.rot.q4, 2)"),
        ("p.trans.x, 3)", "p.trans.y, 3)"),
        ('"capture"', '"captur"'),
        ("\\0A", "\\09"),
        ("code <= 29 THEN", "code <= 25 THEN"),
        ("code <= 39 THEN", "code <= 34 THEN"),
        ("code <= 19", "code <= 18"),
        ('",\\0A"', '";\\0A"'),
        ("fields = 9", "fields = 8"),
        ("aux := value{4}", "aux := value{3}"),
        ("tries >= 2", "tries >= 1"),
        ("p.rot.q1, 5)", "p.rot.q1, 9)"),
        ("RETURN kept + 1", "RETURN kept"),
    ],
    "krl": [
        ("%.4f %.4f %.4f", "%.2f %.4f %.4f"),
        ("%.3f %.3f %.3f", "%.3f %.3f"),
        ('"capture %d', '"capture %d5'),
        ('"%d,%d,%d,%d"', '"%d;%d;%d;%d"'),
        ("number <= 29", "number <= 25"),
        ("number <= 39", "number <= 34"),
        ("number <= 19", "number <= 18"),
        ("CHAR line[80]", "CHAR line[60]"),
        ("tries >= 2", "tries >= 1"),
        ("HITS == 8", "HITS == 7"),
        ("code, rseq, kept, aux", "code, rseq, aux, kept"),
    ],
    "karel": [
        ("here.r, 4", "here.r, 1"),
        ("'capture'", "'captured'"),
        ("piece = ','", "piece = ';'"),
        ("CASE (2):", "CASE (5):"),
        ("CASE (3):", "CASE (4):"),
        ("code <= 19", "code <= 18"),
        ("line : STRING[254]", "line : STRING[60]"),
        ("fields = 8", "fields = 7"),
        ("aux = ROUND(number_of[4])", "aux = ROUND(number_of[3])"),
        ("comm (line, CR)", "comm (text, CR)"),
    ],
    "rotation_vector_script": [
        ("1000000.0", "1000.0"),
        ('"capture"', '"kapture"'),
        ('str_cat("(", ', 'str_cat("", '),
        ("code <= 29", "code <= 25"),
        ("code <= 39", "code <= 34"),
        ("code <= 19", "code <= 18"),
        ("amount = 8", "amount = 7"),
        ("socket_send_line", "socket_send_string"),
        ("reply[4] == 0", "reply[3] == 0"),
        ("text = str_cat(text, fixed(here[5]))", "text = str_cat(text, fixed(here[4]))"),
    ],
    "spel": [
        ('CW(Here), "0.0000"', 'CW(Here), "0.0"'),
        ('"capture"', '"take"'),
        ('sField$(), ","', 'sField$(), ";"'),
        ("Case 2", "Case 5"),
        ("Case 3", "Case 4"),
        ("Int(iCode / 10) = 1", "Int(iCode / 10) = 5"),
        ("iAux = rValue(4)", "iAux = rValue(3)"),
        ("iTries >= 2", "iTries >= 1"),
        ("AXES + 2", "AXES + 3"),
        ('"hello "', '"hello"'),
    ],
    "val3": [
        ('".4",pHere.trsf.rz', '".1",pHere.trsf.rz'),
        ('"capture"', '"capture 1"'),
        ("nByte==10", "nByte==13"),
        ("case 2\n", "case 5\n"),
        ("case 3\n          // Stop", "case 4\n          // Stop"),
        ("roundDown(nCode/10)==1", "roundDown(nCode/10)==5"),
        ("nAux=nValue[3]", "nAux=nValue[2]"),
        ("len(sRest)-1", "len(sRest)-2"),
        ("nTries>=2", "nTries>=1"),
        ("nFields==8", "nFields==9"),
    ],
    "melfa_basic": [
        ("MBehind = 4", "MBehind = 1"),
        ('"capture "', '"capture"'),
        ("MBefore = 5", "MBefore = 3"),
        ("Case 20 To 29", "Case 20 To 25"),
        ("Case 30 To 39", "Case 30 To 34"),
        ("MCode <= 19", "MCode <= 18"),
        ("MAux = MV(4)", "MAux = MV(3)"),
        ("MNumbers = 8", "MNumbers = 7"),
        ("Deg(PHere.C)", "PHere.C"),
        ("MTakes >= 2", "MTakes >= 1"),
        ('" -"', '" "'),
    ],
    "as": [
        ("/F10.4, eb_x[6]", "/F10.1, eb_x[6]"),
        ("/F11.3, eb_x[1]", "/F9.3, eb_x[1]"),
        ('"capture"', '"capture-"'),
        ("VALUE 2:\n          ;", "VALUE 5:\n          ;"),
        ("VALUE 3:\n          ;", "VALUE 4:\n          ;"),
        ("eb_code / 10) == 1", "eb_code / 10) == 5"),
        ("eb_aux = eb_value[4]", "eb_aux = eb_value[3]"),
        ('",", 1)', '";", 1)'),
        ("eb_fields == 8", "eb_fields == 7"),
        ("$CHR(10)", "$CHR(9)"),
        ("/I6, eb_seq", "/I2, eb_seq"),
    ],
}


def prove(language, texts):
    """The checks of this file in short."""
    for code in (29, 39, 19, 0, 20, 30, 40):
        each_code(language, code, texts)
    whole_session(language, texts)
    check_numbers(language, "calibrate", texts)
    taken = Run(language, Plan(), [YES, YES], texts)
    assert stored_frame(taken.program, language) == pytest.approx(numbers_of_result(language), abs=1e-9)
    rejoined = Run(language, Plan(open_session=(905, 5), pairs=7), [YES, NO] if has_dialog(language) else [NO], texts)
    assert rejoined.verbs[1:3] == [("status", 905), ("capture", 906)]
    fresh = Run(language, Plan(pairs=8), [NO], texts)
    assert rejoined.cell.moves[:2] == fresh.cell.moves[5:7]


@EACH
def test_an_unchanged_script_passes_these_checks(language):
    prove(language, taught(language))


@pytest.mark.parametrize(
    ("language", "change"), [(language, change) for language, changes in CHANGES.items() for change in changes]
)
def test_a_changed_script_is_found(language, change):
    texts = changed(taught(language), change)
    with pytest.raises((AssertionError, ScriptError, IndexError, ValueError)):
        prove(language, texts)


# House rules of the scripts


def test_there_are_two_programs_of_each_language_and_their_lines_are_plain_and_short():
    for language in (*STATIONS, "inform"):
        suffix = "c" if language == "inform" else DIALECTS[language].suffix
        for name in ("calibrate", "guide"):
            assert (SCRIPTS / language / f"{name}.{suffix}").is_file()
    for path in SCRIPTS.glob("*/*"):
        if path.is_file() and path.suffix != ".py":
            text = path.read_text("ascii")
            assert "\t" not in text or path.suffix == ".ls"
            assert max(map(len, text.splitlines())) <= 140, path


def test_a_program_decides_by_the_tens_of_a_code():
    """A later code of a range is known to a script already: no single code is named but 0, 30 and 99 (no reply)."""
    assert {int(code) // 10 for code in Code} == {0, 1, 2, 3, 4}
    for language in STATIONS:
        text = texts_of(language, "calibrate")[-1]
        named = {int(number) for number in re.findall(r"(?i)code *(?:<=|>=|==|=|>|<>|!=) *(\d+)", text)}
        assert named <= {0, 9, 10, 19, 29, 30, 39, 99}, language
