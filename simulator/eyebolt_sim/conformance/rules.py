"""The rules of the wire specification that a conversation with a daemon can show."""

from __future__ import annotations

from enum import Enum

_WORLD = "it needs a hand in the cell or on the daemon's computer"


class Rule(Enum):
    """A rule, in the words of the verdict, and why it may not be tried."""

    text: str
    """The rule."""
    not_tried: str
    """Why it was not tried, where it was not."""

    def __init__(self, text: str, not_tried: str = "no transcript that was played shows it") -> None:
        self.text = text
        self.not_tried = not_tried

    FORM = "a reply is code,seq,count,aux: whole numbers, at most 32 characters, code 0 to 99"
    ENDING = "a reply ends as its line did: LF, CR or CR LF"
    BRACKETS = "a reply stands in round brackets if its line does, else not"
    SEQ = "a reply carries the seq of its line"
    NOTHING_UNASKED = "one reply to each line, none to a live pose or an empty line, nothing unasked"
    IN_TIME = "a reply comes within 1.5 s, or [robot] reply_wait_s"
    WORKING = (
        "longer work is answered 10, and 'again' gets the final code within 30 s",
        "no work took longer than 1.4 s",
    )
    SINGLE_BYTES = "bytes that arrive one by one mean the same as whole lines", "not chosen with --way"
    MERGED = "lines that arrive in one piece are answered one after the other, in order", "not chosen with --way"
    UNKNOWN_VERB = "40: the first word is no verb"
    FIELD_COUNT = "41: another count of numbers, a decimal comma"
    NOT_A_NUMBER = "42: a field that is no plain decimal number"
    OUT_OF_RANGE = "43: a number out of its range"
    TOO_LONG = "44: more than 256 bytes, once, at the end of the line"
    SEQ_STAYS_FREE = "a line that is answered 41, 43 or 45 does not use up its seq"
    NUMBER_REPLIES = "result, locate and pixel have their count of numbers in a failure too"
    PIECES = "result n first amount: as many numbers as were requested"
    PADDING = "NUL bytes before and behind a field are blanks"
    FLAGS = "groups of numbers in brackets behind a complete pose literal are ignored"
    HELLO = "hello: 0, the pairs kept, and the last seq in use, or 0 if no session is open"
    TAKEOVER = "on another connection 45, until its hello takes over and the older connection is closed"
    BEGIN_NEW = "begin opens a session with numbering of its own"
    BEGIN_EMPTY = "begin in a session that holds nothing else is that session"
    CAPTURE_OPENS = "a capture, check or place without a session opens one"
    CAPTURE = "capture: a code of its range, and the count of kept pairs grows with 0-9 and 37 only"
    CHECK = "check: as capture, never 26, and never counted"
    PLACE = "place: a code of a view, no pair"
    TOUCH = "touch: 0, 43 without such a corner, 45 without a placed board or tip"
    UNDO = "undo: 0 and a pair less; 45 without a pair"
    SOLVE = "solve: 0, 28 or 32 to 38"
    BYE = "bye: 0, and the session is closed"
    STATUS = "status: 0 with the pairs kept, under any seq, never recorded"
    STORED = "the same line under the same seq gets the stored reply, and no second pair"
    SPELLING = "the same numbers spelled or separated otherwise are the same line"
    REUSED = "47 for another line under a used seq, aux = last seq"
    AGAIN = "again: the reply to that request"
    AGAIN_UNKNOWN = "again for an unknown seq: 43, aux = last seq"
    RECONNECTED = "what was answered holds on a new connection: hello, stored replies, again"
    RESTARTED = "what was answered holds after a restart of the daemon", f"{_WORLD}: restart it, and play again"
    REFUSED = "20 to 29 without board, light or fresh image", f"{_WORLD}; no capture was refused"
    CANNOT_RECORD = "31 if the disk is full, and nothing counts", _WORLD
    GOAL_MET = "3 and aux 0 once the tolerance is met", f"{_WORLD}; the goal was not met meanwhile"
    NOT_ALLOWED = "46 for an address that [robot] allow does not have", "it needs a computer with another address"
    FOREIGN = "HTTP, TLS or SSH is disconnected before its first line is served"
