"""A million lines through splitter and parser."""

import random
import time
from pathlib import Path

from bench.record import Table
from eyebolt.protocol.codes import Code
from eyebolt.protocol.framing import MAX_LINE_BYTES, LateLineFeed, LineSplitter, OverlongLine
from eyebolt.protocol.replies import Reply, encode
from eyebolt.protocol.requests import VERBS, LineFault, Request, overlong_fault, parse

WORDS = [*VERBS, "CAPTURE", "Begin", "j", "J", "p", "nan", "inf", "-", "+", ".", "e", "0x10", "1_0", "captur", "\x7f"]
SEPARATORS = [" ", ",", ";", ", ", "  ", "\t", "(", ")", "[", "]", ")(", " p(", ""]
ENDINGS = [b"\n", b"\r", b"\r\n"]
LONGEST_REPLY = 32
# Numbers after the seq that make each verb's line whole, for poses of seven numbers.
WHOLE = {"capture": 7, "check": 7, "place": 7, "touch": 8, "locate": 3, "pixel": 3, "pose": 7}
# By which the resident memory may differ between the middle and the end of the run.
_SLACK = 0.05


def grammatical(rng):
    """A line as a robot program would send it, then spoilt in a place or two."""
    if rng.random() < 0.6:
        verb = rng.choice(list(VERBS))
        parts = [verb, *([] if verb == "pose" else [str(rng.randrange(1000))])]
        parts += [number(rng) for _ in range(WHOLE.get(verb, 0))]
    else:
        parts = [rng.choice(WORDS), str(rng.choice((0, 1, 7, 999, 2**31, -1, 10**20)))]
        parts += [number(rng) for _ in range(rng.choice((0, 0, 1, 2, 3, 4, 6, 7, 8, 12, 14, 30)))]
    if rng.random() < 0.2:
        parts += ["j", *(number(rng) for _ in range(rng.randrange(9)))]
    text = "".join(part + rng.choice(SEPARATORS[:4] if rng.random() < 0.9 else SEPARATORS) for part in parts)
    if rng.random() < 0.2:
        text = f"({text})"
    data = bytearray(text.encode("latin-1"))
    for _ in range(rng.choice((0, 0, 1, 2))):
        at = rng.randrange(len(data))
        data[at : at + rng.randrange(3)] = rng.randbytes(rng.randrange(3))
    return bytes(data)


def number(rng):
    """A number in one of the forms that controllers print, or nearly one."""
    value = rng.uniform(-1, 1) * 10.0 ** rng.randrange(-8, 9)
    form = rng.choice(("{:.3f}", "{:.5f}", "{:e}", "{:.0f}", "{:g}", "{:+.2f}"))
    text = form.format(value)
    return text.replace(".", ",") if rng.random() < 0.05 else text


def noise(rng):
    """Random bytes, mostly short, now and then far too many."""
    return rng.randbytes(rng.choice((0, 1, 5, 20, 80, MAX_LINE_BYTES - 1, MAX_LINE_BYTES, MAX_LINE_BYTES + 1, 3000)))


def wrong_with(item):
    """What is wrong with what became of one item of the splitter, or None; and the code, 0 for a request."""
    parsed = overlong_fault(item.prefix) if isinstance(item, OverlongLine) else parse(item.content, 7)
    if isinstance(parsed, Request):
        return (None, 0) if parsed.verb in VERBS else (f"a request of no verb: {parsed!r}", 0)
    if not isinstance(parsed, LineFault) or parsed.code not in list(Code) or not 40 <= parsed.code <= 44:
        return f"neither request nor fault 40-44: {parsed!r}", 0
    if not parsed.message.strip() or not parsed.message.isprintable():
        return f"words that no screen shows: {parsed.message!r}", parsed.code
    reply = encode(Reply(parsed.code, parsed.seq, 0, 0), parsed.bracketed, item.terminator)
    if len(reply.rstrip(b"\r\n")) > LONGEST_REPLY:
        return f"an answer of {len(reply)} bytes: {reply!r}", parsed.code
    return None, parsed.code


def resident_pages():
    """Memory of this process, pages."""
    return int(Path("/proc/self/statm").read_text().split()[1])


def run(asked):
    """Prints the section; whether anything was found."""
    rng = random.Random(asked.seed)
    splitter, codes, sent, served = LineSplitter(), {}, 0, 0
    held, in_the_middle, begun = b"", 0, time.monotonic()
    while served < asked.lines:
        batch = [(grammatical if rng.random() < 0.5 else noise)(rng) + rng.choice(ENDINGS) for _ in range(64)]
        sent += len(batch)
        held = b"".join(batch)
        while held:
            size = rng.choice((1, 7, 64, 1000, 10_000))
            chunk, held = held[:size], held[size:]
            for item in splitter.feed(chunk):
                if isinstance(item, LateLineFeed):
                    continue
                served += 1
                wrong, code = wrong_with(item)
                codes[code] = codes.get(code, 0) + 1
                if wrong is not None:
                    print(f"FOUND {wrong}\n  from {item!r}")
                    return True
        if splitter.buffered_bytes > MAX_LINE_BYTES:
            print(f"FOUND a splitter that holds {splitter.buffered_bytes} bytes")
            return True
        if not in_the_middle and served >= asked.lines // 2:
            in_the_middle = resident_pages()
    grown = resident_pages() / in_the_middle - 1
    table = Table(
        f"lines, seed {asked.seed}, {time.monotonic() - begun:.0f} s; requests and lines answered by each code",
        ("sent", 9), ("served", 9), *((str(int(code) or "requests"), 9) for code in sorted(codes)), ("memory", 8),
    )  # fmt: skip
    table.row(sent, served, *(codes[code] for code in sorted(codes)), f"{grown:+.2%}")
    table.note("memory: resident, from the middle of the run to its end")
    return grown > _SLACK
