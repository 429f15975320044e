"""Lines as requests: tables of verbs, controller styles and faults."""

import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eyebolt.protocol.requests import VERBS, LineFault, Request, is_same_line, overlong_fault, parse

P7 = (512.25, -80.5, 640.0, 0.70711, 0.0, -0.70711, 0.0)
P7_TEXT = "512.25 -80.5 640.0 0.70711 0.0 -0.70711 0.0"


def request(text, count=7):
    parsed = parse(text if isinstance(text, bytes) else text.encode("latin-1"), count)
    assert isinstance(parsed, Request), parsed
    return parsed


def fault(text, count=7):
    parsed = parse(text if isinstance(text, bytes) else text.encode("latin-1"), count)
    assert isinstance(parsed, LineFault), parsed
    return parsed


@pytest.mark.parametrize(
    ("line", "seq", "numbers", "pose"),
    [
        ("hello 1", 1, (), None),
        ("begin 2", 2, (), None),
        (f"capture 3 {P7_TEXT}", 3, (), P7),
        (f"check 4 {P7_TEXT}", 4, (), P7),
        ("place 5", 5, (), None),
        (f"place 5 {P7_TEXT}", 5, (), P7),
        (f"touch 6 17 {P7_TEXT}", 6, (17.0,), P7),
        (f"pose {P7_TEXT}", None, (), P7),
        ("again 7", 7, (), None),
        ("undo 8", 8, (), None),
        ("status 0", 0, (), None),
        ("solve 999999", 999999, (), None),
        ("bye 10", 10, (), None),
        ("result 11", 11, (), None),
        ("result 11 4", 11, (4.0,), None),
        ("result 11 4 3", 11, (4.0, 3.0), None),
        ("locate 12 1 -2.5 700", 12, (1.0, -2.5, 700.0), None),
        (f"locate 12 1 -2.5 700 {P7_TEXT}", 12, (1.0, -2.5, 700.0), P7),
        ("pixel 13 1223.5 1023.5 0", 13, (1223.5, 1023.5, 0.0), None),
        (f"pixel 13 1223.5 1023.5 0 {P7_TEXT}", 13, (1223.5, 1023.5, 0.0), P7),
    ],
)
def test_every_verb(line, seq, numbers, pose):
    parsed = request(line)
    assert parsed == Request(line.split()[0], seq, numbers, pose, None, line, False)


def test_the_table_has_the_verbs_of_the_protocol():
    assert set(VERBS) == {
        "hello", "begin", "capture", "check", "place", "touch", "pose", "again",
        "undo", "status", "solve", "bye", "result", "locate", "pixel",
    }  # fmt: skip
    not_recorded = {name for name, verb in VERBS.items() if not verb.is_recorded}
    assert not_recorded == {"hello", "status", "again", "result", "locate", "pixel", "pose"}
    lengths = {name: verb.reply_number_count(6) for name, verb in VERBS.items() if verb.reply == "numbers"}
    assert lengths == {"result": 6, "locate": 3, "pixel": 3}
    pieces = [(), (2,), (2, 5), (1, 6), (1, 7), (1, 0)]
    assert [VERBS["result"].reply_number_count(6, piece) for piece in pieces] == [6, 1, 5, 6, 6, 6]
    assert VERBS["locate"].reply_number_count(6, (1, 2, 3)) == 3
    assert VERBS["result"].syntax == "result n [first [amount]]"
    assert [name for name, verb in VERBS.items() if not verb.has_reply or not verb.has_seq] == ["pose"]
    written = {verb.syntax for verb in VERBS.values()}
    assert {"undo n", "pose <pose>", "touch n k <pose>", "place n [<pose>]", "pixel n u v h [<pose>]"} < written


def test_the_largest_number_of_a_pose():
    assert request("capture 3 1e9 -1e9 3 1 0 0 0").pose[:2] == (1e9, -1e9)


P6 = (512.25, -80.5, 640.0, 179.99, -0.5, 90.0)
TINY = (0.51225, -0.0805, 1e-5, 3.14159, -2.5e-7, 0.0)
INTEGERS = (512250.0, -80500.0, 640000.0, 1799900.0, -5000.0, 900000.0)


@pytest.mark.parametrize(
    ("line", "pose", "bracketed"),
    [
        ("capture 5 512.25 -80.5 640.0 179.99 -0.5 90.0", P6, False),
        ("capture,5,512.25,-80.5,640.0,179.99,-0.5,90.0", P6, False),
        ("capture;5;512.25;-80.5;640;179.99;-.5;90.", P6, False),
        ("CAPTURE 5, 512.25, -80.5, 640.0, 179.99, -0.5, 90.0", P6, False),
        ("Capture 5 (+512.25,-80.50,+640.00,+179.99,-0.50,+90.00)", P6, False),
        ("(capture,5,512.25,-80.5,640.0,179.99,-0.5,90.0)", P6, True),
        (" \t(capture, 5, (512.25,-80.5,640.0,179.99,-0.5,90.0))", P6, True),
        ("capture 5 [[512.25,-80.5,640.0],[179.99,-0.5,90.0]]", P6, False),
        ("[capture] 5 512.25 -80.5 640.0 179.99 -0.5 90.0", P6, False),
        ("capture 5   512.25\t-80.5  640.0 179.99 -0.5 90.0  ", P6, False),
        ("capture 5.0 5.1225E+02 -8.05e1 6.4E2 1.7999e+02 -5E-1 9.0E1", P6, False),
        ("capture 0.5e1 p[0.51225,-0.0805,1e-05,3.14159,-2.5E-07,0]", TINY, False),
        ("(capture,5,p[0.5,0,0,0,0,1])", (0.5, 0.0, 0.0, 0.0, 0.0, 1.0), True),
        ("capture 5 P(512250,-80500,640000,1799900,-5000,900000)", INTEGERS, False),
    ],
)  # fmt: skip
def test_controller_styles(line, pose, bracketed):
    parsed = request(line, 6)
    assert (parsed.verb, parsed.seq, parsed.pose, parsed.bracketed) == ("capture", 5, pose, bracketed)


@pytest.mark.parametrize(
    ("line", "joints"),
    [
        ("capture 5 (512.25,-80.5,640.0,179.99,-0.5,90.0)(7,0)", None),
        ("(capture,5,(512.25,-80.5,640.0,179.99,-0.5,90.0)(7,0))", None),
        ("capture 5 [[512.25,-80.5,640.0],[179.99,-0.5,90.0],[0,-1,0,1],[9E9,9E9,9E9,9E9,9E9,9E9]]", None),
        ("capture 5 ( 512.25,-80.5,640.0,179.99,-0.5,90.0 ) , [7]", None),
        ("capture 5 p[512.25,-80.5,640.0,179.99,-0.5,90.0](7,0) j 1 -2", (1.0, -2.0)),
    ],
)
def test_a_group_in_brackets_behind_a_complete_pose_is_ignored(line, joints):
    parsed = request(line, 6)
    assert (parsed.seq, parsed.pose, parsed.joints, parsed.has_ignored_group) == (5, P6, joints, True)
    # The record is without the group, so that its line can be sent again without brackets.
    repeated = request(parsed.text, 6)
    assert (repeated.pose, repeated.joints, repeated.has_ignored_group) == (P6, joints, False)


@pytest.mark.parametrize(
    "line",
    [
        "capture 5 1 2 3 0\x00",
        "\x00\x00capture 5 1 2 3 0",
        "capture 5\x00 1 \x00\x002,\x00(3\x00),0" + "\x00" * 60,
        " \x00 capture \x00 5 1 2 3 0 \x00 ",
    ],
)
def test_nul_bytes_between_fields_are_padding(line):
    parsed = request(line, 4)
    assert (parsed.text, parsed.bracketed) == ("capture 5 1 2 3 0", False)
    assert request("\x00 (hello 1)\x00").bracketed


def test_a_decimal_comma_is_not_mistaken_for_a_group_of_flags():
    # The first group has as many numbers as a pose, none of them the robot's.
    found = fault("capture 5 [[512,25,-80,5,640,0],[179,99,-0,5,90,0]]", 6)
    assert found.code == 41
    assert "decimal comma" in found.message


def test_four_axis_arms_send_four_numbers():
    assert request("capture 5 300.1 20.2 -15 90", 4).pose == (300.1, 20.2, -15.0, 90.0)
    assert fault("capture 5 300.1 20.2 -15 90 0 0", 4).code == 41


@pytest.mark.parametrize(
    "line",
    [
        "capture 3 1 2 3 1 0 0 0 j 10 -20 30 0 45.5 -90",
        "capture,3,1,2,3,1,0,0,0,J,10,-20,30,0,45.5,-90",
        "(capture,3,[1,2,3,1,0,0,0],j[10,-20,30,0,45.5,-90])",
    ],
)
def test_joint_angles_follow_a_j(line):
    parsed = request(line)
    assert parsed.pose == (1, 2, 3, 1, 0, 0, 0)
    assert parsed.joints == (10, -20, 30, 0, 45.5, -90)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("capture 3 1 2 3 1 0 0 0 j", "1 to 12"),
        ("capture 3 1 2 3 1 0 0 0 j" + " 1" * 13, "got 13"),
        ("hello 1 j 1 2", "takes no joint angles"),
        ("place 1 j 1 2", "follow a pose"),
    ],
)
def test_invalid_joint_angles(line, words):
    found = fault(line)
    assert found.code == 41
    assert words in found.message


def test_one_and_twelve_joints_are_the_limits():
    assert request("capture 3 1 2 3 1 0 0 0 j 5").joints == (5.0,)
    assert len(request("capture 3 1 2 3 1 0 0 0 j" + " 1" * 12).joints) == 12


@pytest.mark.parametrize(("joints", "code"), [(" 1" * 5, 41), (" 1" * 6, None), (" 1" * 7, 41), ("", 41)])
def test_a_station_that_names_its_joints_wants_as_many_angles(joints, code):
    parsed = parse(b"capture 3 1 2 3 1 0 0 0 j" + joints.encode(), 7, joint_count=6)
    assert getattr(parsed, "code", None) == code
    assert isinstance(parse(b"capture 3 1 2 3 1 0 0 0", 7, joint_count=6), Request)


def test_the_text_of_a_line_is_without_separators():
    bare = request("capture 3 1 2 3 1 0 0 0.50")
    dressed = request("(CAPTURE;3;p[1,2,3],[1,0,0,0.50])")
    assert bare.text == dressed.text == "capture 3 1 2 3 1 0 0 0.50"
    assert dressed.bracketed
    assert not bare.bracketed


@pytest.mark.parametrize(
    ("first", "second", "same"),
    [
        ("capture 3 1 2 3 0.5", "capture 3 1 2 3 0.5", True),
        ("capture 3 1 2 3 0.5", "capture 3.0 1.000 2e0 +3. .50", True),
        ("capture 3 0 2 3 1e-05", "capture 3 -0.0 2 3 0.00001", True),
        ("capture 3 1 2 3 4 j 1 2", "capture 3 1 2 3 4 j 1.0 2.0", True),
        ("capture 3 1 2 3 0.5", "capture 3 1 2 3 0.50001", False),
        ("capture 3 1 2 3 0.5", "check 3 1 2 3 0.5", False),
        ("capture 3 1 2 3 4 j 1 2", "capture 3 1 2 3 4", False),
        ("capture 3 1 2 3 4 j 1 2", "capture 3 1 2 3 4 j 1", False),
        ("place 3", "place 3 1 2 3 4", False),
        ("undo 3", "undo 3", True),
    ],
)
def test_lines_are_the_same_if_their_numbers_are_equal(first, second, same):
    first, second = request(first, 4), request(second, 4)
    assert is_same_line(first.text, second.text) is is_same_line(second.text, first.text) is same


def test_seq_may_be_printed_as_a_real():
    assert [request(f"hello {seq}").seq for seq in ("12", "12.0", "1.2e1", "+12", "0012", "12.")] == [12] * 6
    assert request("hello 9.99999E+05").seq == 999999


def single(value):
    return struct.unpack("f", struct.pack("f", value))[0]


@given(st.integers(0, 999_999))
def test_every_seq_survives_single_precision(seq):
    assert request(f"again {single(seq)!r}").seq == seq
    assert request(f"again {single(seq):.6e}").seq == seq


@pytest.mark.parametrize(
    ("line", "code", "seq", "words"),
    [
        # 40: the verb
        ("grab 5", 40, 5, "'grab' is not a verb; the verbs are: hello, begin"),
        ("5 hello", 40, 0, "'5' is not a verb"),
        ("()", 40, 0, "has no verb"),
        (",;,", 40, 0, "has no verb"),
        ("h\xe9llo 7", 40, 7, "byte 0xE9"),
        ("he\x00llo 7", 40, 7, "byte 0x00"),
        ("hello\x00\x007", 40, 0, "byte 0x00"),
        ("x" * 200, 40, 0, "'xxxxxxxxxxxxxxxxxxxxxxxx...' is not a verb"),
        # 41: the field count
        ("hello", 41, 0, "hello requires seq (1 field after the verb), got 0"),
        ("hello 1 2", 41, 1, "got 2"),
        ("capture", 41, 0, "got 0"),
        ("capture 3 1 2 3 4", 41, 3, "capture requires seq and 7 pose numbers (8 fields after the verb), got 5"),
        ("capture 3 1 2 3 1 0 0 0 0", 41, 3, "got 9"),
        ("capture 3 (1,2,3,1,0,0)(4,1)", 41, 3, "group of flags"),
        ("capture 3 (1,2,3,1,0,0,0)(4,1", 41, 3, "group of flags"),
        ("capture 3 (1,2,3,1,0,0,0)(4,1)(", 41, 3, "group of flags"),
        ("capture 3 1 2 3 1 0 0 0 (4,1)", 41, 3, "got 10"),
        ("capture 3 (1,2,3,1,0,0,0),4,1", 41, 3, "got 10"),
        ("capture 3 (1,2,3,1,0,0,0)(4),1", 41, 3, "got 10"),
        ("capture 3 [[1,2],[5,2,5],[3,5]],[[1,0],[0,0],[0,0]]", 41, 3, "got 14"),
        ("capture 3 (1,2,3,1,0,0,0)(4,a)", 42, 3, "'a'"),
        ("hello 1 (4,1)", 41, 1, "got 3"),
        ("place 4 (4,1)", 41, 4, "got 3"),
        ("pose 1 2 3", 41, 0, "pose requires 7 pose numbers (7 fields after the verb), got 3"),
        ("place 4 1", 41, 4, "place requires seq and 7 pose numbers or none (1 or 8 fields after the verb), got 2"),
        ("touch 4 1 2 3 1 0 0 0", 41, 4, "touch requires seq, k and 7 pose numbers (9 fields after the verb), got 8"),
        ("locate 4 1 2", 41, 4, "locate requires seq, x, y, z and 7 pose numbers or none (4 or 11 fields"),
        ("result 4 1 2 3", 41, 4, "result requires seq, first or none and amount or none (1 or 2 or 3 fields"),
        # 42: a number
        ("hello x1", 42, 0, "'x1' is not a number"),
        ("capture 3 1 2 3 nan 0 0 0", 42, 3, "'nan'"),
        ("capture 3 1 2 3 inf 0 0 0", 42, 3, "'inf'"),
        ("capture 3 1 2 3 -Infinity 0 0 0", 42, 3, "'-Infinity'"),
        ("capture 3 1 2 3 0x10 0 0 0", 42, 3, "'0x10'"),
        ("capture 3 1_000 2 3 1 0 0 0", 42, 3, "'1_000'"),
        ("capture 3 1.2.3 2 3 1 0 0 0", 42, 3, "'1.2.3'"),
        ("capture 3 1e 2 3 1 0 0 0", 42, 3, "'1e'"),
        ("capture 3 . 2 3 1 0 0 0", 42, 3, "'.'"),
        ("capture 3 -- 2 3 1 0 0 0", 42, 3, "'--'"),
        ("capture 3 1 2 3 1 0 0 0 j 1 a", 42, 3, "'a'"),
        ("capture 3 \u00b2 2 3 1 0 0 0", 42, 3, "byte 0xB2"),
        ("capture 3 1\x002 3 1 0 0 0 0", 42, 3, "byte 0x00"),
        ("capture 3 1\x00\x00\x002 3 1 0 0 0 0", 42, 3, "byte 0x00"),
        ("capture 3 1\x7f 2 3 1 0 0 0", 42, 3, "byte 0x7F"),
        ("capture 3 1 2 3 1 0 0 0hello 4", 42, 3, "two requests in one line"),
        # 43: the range
        ("hello -1", 43, 0, "seq is a whole number from 0 to 999999, got '-1'"),
        ("hello 1000000", 43, 0, "'1000000'"),
        ("hello 1.5", 43, 0, "'1.5'"),
        ("hello 1e400", 43, 0, "'1e400'"),
        ("touch 4 1.5 1 2 3 1 0 0 0", 43, 4, "k is a whole number"),
        ("touch 4 -1 1 2 3 1 0 0 0", 43, 4, "k is a whole number"),
        ("result 4 1.5", 43, 4, "first is a whole number"),
        ("result 4 1 -2", 43, 4, "amount is a whole number"),
        ("capture 3 1e300 2 3 1 0 0 0", 43, 3, "'1e300'"),
        ("capture 3 1 -1000000001 3 1 0 0 0", 43, 3, "'-1000000001'"),
        ("capture 3 1 2 3 1 0 0 0 j 1e10", 43, 3, "'1e10'"),
    ],
)
def test_faults(line, code, seq, words):
    found = fault(line)
    assert (found.code, found.seq) == (code, seq)
    assert words in found.message
    assert found.message.isprintable()


@pytest.mark.parametrize(
    ("line", "count"),
    [
        ("capture 3 512,25 -80,5 640,0 0,70711 0,0 -0,70711 0,0", 7),
        ("capture 3,0 512,25 -80,5 640,0 0,70711 0,0 -0,70711 0,0", 7),
        ("(capture;3;512,25;-80,5;640,0;179,99;-0,5;90,0)", 6),
        ("check 3 1,5 2,5 3,5 4,5", 4),
        ("pose 512,25 -80,5 640,0 179,99 -0,5 90,0", 6),
        ("touch 3 4 512,25 -80,5 640,0 179,99 -0,5 90,0", 6),
        ("touch 3,0 4,0 512,25 -80,5 640,0 179,99 -0,5 90,0", 6),
        ("locate 3 1,5 2,5 700,0", 7),
        ("locate 3 1,5 2,5 700,0 1,0 2,0 3,0 0,5 0,5 0,5 0,5", 7),
        ("pixel 3 1,5 2,5 700,0 1,0 2,0 3,0 0,5 0,5 0,5", 6),
        ("hello 3,0", 7),
    ],
)
def test_twice_the_count_names_the_decimal_comma(line, count):
    found = fault(line, count)
    assert found.code == 41
    assert "decimal comma" in found.message


def test_twice_the_count_without_a_comma_names_both_causes():
    found = fault("capture 3" + " 1 2 3 1 0 0 0" * 2)
    assert found.code == 41
    assert "two poses in one line" in found.message
    assert "decimal comma" in found.message


@pytest.mark.parametrize("line", ["capture 3 1,2,3,4,5", "capture 3" + ",1" * 13, "capture 3" + ",1" * 16, "hello 1 2"])
def test_other_counts_do_not_name_the_comma(line):
    assert "comma" not in fault(line).message


def test_a_fault_is_bracketed_as_its_line_and_names_a_known_verb():
    assert fault("(hello,x)").bracketed
    assert not fault("hello x").bracketed
    assert fault("RESULT x").verb == "result"
    assert fault("grab 1").verb == ""
    assert fault("grab 1").has_reply
    assert fault("hello x").has_reply
    assert not fault("pose 1 2 nan").has_reply


@pytest.mark.parametrize(
    ("prefix", "seq", "bracketed", "verb"),
    [
        ("capture 12 " + "1 " * 200, 12, False, "capture"),
        ("(capture,12," + "1," * 200, 12, True, "capture"),
        ("status 5" + " " * 300, 5, False, "status"),
        ("hello " + "1" * 300, 0, False, "hello"),
        ("x" * 300, 0, False, ""),
        (" " * 300 + "hello 1", 0, False, ""),
        ("pose " + "1 " * 200, 0, False, "pose"),
    ],
)
def test_overlong_lines_keep_the_readable_fields(prefix, seq, bracketed, verb):
    found = overlong_fault(prefix.encode()[:256])
    assert (found.code, found.seq, found.bracketed, found.verb) == (44, seq, bracketed, verb)
    assert "256" in found.message
    assert parse(prefix.encode(), 7) == found


def test_the_longest_capture_fits_80_characters():
    line = "capture 999 " + " ".join(["-1234.567"] * 3 + ["-0.12345"] * 4)
    dressed = f"({line})"
    assert len(line) <= len(dressed) <= 80
    assert request(line).pose == (-1234.567,) * 3 + (-0.12345,) * 4
    assert request(dressed).text == line


@given(st.binary(max_size=300), st.sampled_from([4, 6, 7]))
def test_random_bytes_never_raise(content, count):
    parsed = parse(content, count)
    if isinstance(parsed, LineFault):
        assert parsed.code in {40, 41, 42, 43, 44}
        assert parsed.message.isprintable()
        assert 0 <= parsed.seq <= 999_999


tokens = st.one_of(
    st.sampled_from(["1", "-0", "1e5", "1e999", "nan", "j", "J", "p[", "(", ")", ",", ";", "]"]),
    st.sampled_from(["2.0", ".5", "_", "\x80"]),
    st.integers(-5, 2_000_000).map(str),
    st.text(max_size=3).map(lambda t: t.encode("utf-8").decode("latin-1")),
)  # fmt: skip


@given(st.sampled_from(sorted(VERBS)), st.lists(tokens, max_size=14), st.sampled_from([4, 6, 7]))
def test_a_request_is_the_request_of_its_own_text(verb, rest, count):
    parsed = parse(" ".join([verb, *rest]).encode("latin-1"), count)
    if isinstance(parsed, Request):
        again = request(parsed.text, count)
        assert again == replace(parsed, has_ignored_group=False)
        assert parsed.seq is None or 0 <= parsed.seq <= 999_999
        assert parsed.pose is None or len(parsed.pose) == count
    else:
        assert parsed.code in {40, 41, 42, 43, 44}
