"""Keys of the operator's screen: what a key requests, what is asked before, and what became of it. Pure.

A request by which something is lost (``undo``, ``finish``, ``begin`` while a session has pairs) is confirmed, and is
for the session and the number of pairs that the question was asked with: the daemon carries it out for no others.
"""

from __future__ import annotations

from dataclasses import dataclass

from eyebolt.monitor.operator_prompt import Tone
from eyebolt.protocol import ControlAction, ControlOutcome, ControlReply, StatusMessage

_ACTIONS = {"b": ControlAction.BEGIN, "t": ControlAction.TAKE, "u": ControlAction.UNDO, "f": ControlAction.FINISH}
_CONFIRM_KEY = "y"
# A question that nobody answers is withdrawn: the next key may be for something else.
_QUESTION_S = 20.0
_ANSWER_S = 12.0
# Above this age of the newest pose the screen names the missing stream; the daemon decides.
_LIVE_POSE_S = 2.0


@dataclass(frozen=True)
class KeyRequest:
    """A request that a key makes."""

    action: ControlAction
    new: bool = False
    """As in ControlRequest."""
    session: str | None = None
    """As in ControlRequest."""
    kept: int | None = None
    """As in ControlRequest."""


@dataclass(frozen=True)
class KeyRows:
    """What the screen shows of the keys."""

    keys: str
    """The keys and their meaning."""
    prompt: str = ""
    """A question, the request in progress, or what became of the last one; empty without."""
    tone: Tone = Tone.PLAIN
    """Of the prompt."""
    is_question: bool = False
    """The prompt waits for a key."""


class OperatorKeys:
    """The dialogue over the keys; instants are seconds of any steady clock."""

    def __init__(self) -> None:
        self._question: tuple[KeyRequest, str] | None = None
        self._in_progress: ControlAction | None = None
        self._answer: tuple[str, Tone] | None = None
        self._until_s = 0.0

    def press(self, key: str, state: ControlReply | None, now_s: float) -> KeyRequest | None:
        """The request to send now, if the key makes one. ``state``: the newest reply of the daemon."""
        self._expire(now_s)
        if self._in_progress is not None or state is None:
            return None
        question, self._question = self._question, None
        if question is not None:
            if key == _CONFIRM_KEY:
                return question[0]
            self._say(f"{question[0].action}: not done", Tone.PLAIN, now_s)
            return None
        action = _ACTIONS.get(key)
        if action is None:
            return None
        return self._begin(action, state, now_s)

    def sent(self, request: KeyRequest, is_sent: bool, now_s: float) -> None:
        """The request was handed to the daemon, or the daemon could not be reached."""
        if is_sent:
            self._in_progress, self._answer = request.action, None
        else:
            self._say(f"{request.action}: not done: the daemon does not answer", Tone.BAD, now_s)

    def replied(self, reply: ControlReply, now_s: float) -> None:
        """The daemon has replied."""
        action, self._in_progress = self._in_progress, None
        if action is None:
            return
        if reply.outcome is ControlOutcome.UNCONFIRMED:
            self._ask(KeyRequest(action, new=True), reply.message, now_s)
            return
        text = f"{action}: {reply.message}"
        if reply.remedy and reply.outcome is not ControlOutcome.DONE:
            text += f"; {reply.remedy}"
        is_done = reply.outcome is ControlOutcome.DONE
        self._say(text, Tone.GOOD if is_done else Tone.WAIT, now_s)

    def lost(self, now_s: float) -> None:
        """The daemon can no longer be reached: what is in progress may be carried out or not."""
        self._question = None
        if self._in_progress is not None:
            self._say(f"{self._in_progress}: no reply; see above whether it was carried out", Tone.BAD, now_s)
            self._in_progress = None

    def rows(self, state: ControlReply, now_s: float) -> KeyRows:
        """What the screen shows."""
        self._expire(now_s)
        age_s = state.live_pose_age_s
        pose = " (no pose comes)" if age_s is None or age_s > _LIVE_POSE_S else ""
        keys = f"b: begin, t: take a pair{pose}, u: undo, f: finish"
        if self._question is not None:
            return KeyRows(keys, f"{self._question[1]}. y: yes, any other key: no", Tone.ACT, True)
        if self._in_progress is not None:
            return KeyRows(keys, f"{self._in_progress}: in progress", Tone.WAIT)
        if self._answer is not None:
            return KeyRows(keys, *self._answer)
        return KeyRows(keys)

    def _begin(self, action: ControlAction, state: ControlReply, now_s: float) -> KeyRequest | None:
        count = f"{state.kept} {'pair' if state.kept == 1 else 'pairs'}"
        if action is ControlAction.BEGIN:
            if state.session is None or not state.kept:
                return KeyRequest(action)
            self._ask(
                KeyRequest(action, new=True), f"begin: the {count} of this session do not count in a new one", now_s
            )
            return None
        if state.session is None:
            self._say(f"{action}: no session is open; begin one", Tone.WAIT, now_s)
            return None
        if action is ControlAction.TAKE:
            return KeyRequest(action)
        request = KeyRequest(action, session=state.session, kept=state.kept)
        if action is ControlAction.UNDO:
            if not state.kept:
                self._say("undo: no pair is kept", Tone.WAIT, now_s)
                return None
            self._ask(request, f"undo: the newest of {count} is taken back", now_s)
        else:
            self._ask(request, f"finish: the session ends with {count}", now_s)
        return None

    def _ask(self, request: KeyRequest, text: str, now_s: float) -> None:
        self._question, self._answer = (request, text), None
        self._until_s = now_s + _QUESTION_S

    def _say(self, text: str, tone: Tone, now_s: float) -> None:
        self._answer = text, tone
        self._until_s = now_s + _ANSWER_S

    def _expire(self, now_s: float) -> None:
        if now_s >= self._until_s:
            self._question = self._answer = None


class Bell:
    """How often the terminal's bell rings for a status: once for a kept pair, twice for one that is not."""

    def __init__(self) -> None:
        self._last: tuple[str | None, int] | None = None

    def rings(self, status: StatusMessage) -> int:
        """Rings for what is new since the last status; none for the first one."""
        reply = status.last_reply
        newest = (status.session, 0 if reply is None else reply.seq)
        is_first, is_new = self._last is None, newest != self._last
        self._last = newest
        if is_first or not is_new or reply is None or reply.verb not in ("capture", "check"):
            return 0
        return 1 if reply.code.keeps_pair else 2
