"""Search for inputs guided by the code that they reach: those that reach something new are changed further."""

import random
import sys
import time
import zlib
from pathlib import Path

import eyebolt
from bench.record import Table
from eyebolt.config.lens_file import parse_lens
from eyebolt.config.station_file import parse_station
from eyebolt.config.template import station_template
from eyebolt.errors import InputFault, RecordFault
from eyebolt.protocol.requests import parse
from eyebolt.store.journal import HEADER, encode_record, read_records

SOURCE = str(Path(eyebolt.__file__).parent)
# Longer than any of these takes on a slow computer: beyond it, it hangs.
_HANGS_S = 5.0
_LONGEST_BYTES = 20_000


def read_line(data):
    """The robot's line."""
    parse(data, 7)


def load_station(data):
    """A station file; refusing it with a remedy is right."""
    text = data.decode("utf-8", "replace")
    try:
        parse_station(text, "station.toml")
    except InputFault as fault:
        _whole(fault)


def read_lens(data):
    """A lens file."""
    try:
        parse_lens(data.decode("utf-8", "replace"), "camera.json")
    except InputFault as fault:
        _whole(fault)


def read_journal(data):
    """A journal: what is read must be a prefix, and read again must be the same."""
    try:
        result = read_records(data)
    except RecordFault as fault:
        _whole(fault)
        return
    again = read_records(data[: result.valid_bytes]) if result.valid_bytes else None
    if again is not None and (again.records != result.records or again.damage is not None):
        raise AssertionError("the valid prefix of a journal is not valid")


def read_checked(data):
    """A journal whose lines are ``data``, each with length, number and checksum made right: no line is worse than
    one that a disk tore, but what stands behind the checksum is reached."""
    lines = []
    for sequence, body in enumerate(data.split(b"\n")):
        prefix = b"%08d %010d " % (len(body), sequence)
        lines.append(prefix + b"%08x " % zlib.crc32(body, zlib.crc32(prefix)) + body + b"\n")
    read_journal(b"".join(lines))


def _whole(fault):
    if not (fault.code and fault.message.strip() and fault.remedy.strip()):
        raise AssertionError(f"a fault that does not say what to do: {fault!r}")


JOURNAL = encode_record(0, HEADER) + b"".join(
    encode_record(k, b'{"type":"x","n":%d,"deep":[[1.5,null]]}' % k) for k in (1, 2, 3)
)
LENS = b"""{"width": 1280, "height": 1024, "matrix": [[1450.0, 0, 643.0], [0, 1451.0, 508.0], [0, 0, 1]],
 "distortion": [-0.12, 0.09, 0.0004, -0.0003, 0.0], "sigma": {"fx": 1.0, "cx": 0.5, "k1": 0.001}}"""
TOKENS = (b"0", b"-1", b"1e400", b"nan", b'"', b"[", b"{", b"\n", b"=", b"99999999")
TARGETS = {
    "line": (read_line, [b"capture 2 366.613 8.393 166.663 0.32 0.69 -0.06 0.64", b"touch 3 7 (1,2,3)(4,5,6,7) j 1 2"]),
    "station": (load_station, [station_template("bay-3", mount).encode() for mount in ("fixed", "arm")]),
    "lens": (read_lens, [LENS]),
    "journal": (read_journal, [JOURNAL]),
    "journal, checks right": (read_checked, [b"\n".join(line[29:] for line in JOURNAL.splitlines())]),
}


def edges_of(target, data):
    """The steps from line to line within the product's code that ``target`` takes on ``data``, and the seconds of
    processor time: a busy computer is no hang."""
    seen = set()

    def trace(frame, event, _):
        if not frame.f_code.co_filename.startswith(SOURCE):
            return None
        last = [0]

        def step(frame, event, _):
            if event == "line":
                seen.add((frame.f_code, last[0], frame.f_lineno))
                last[0] = frame.f_lineno
            return step

        return step

    begun = time.process_time()
    sys.settrace(trace)
    try:
        target(data)
    finally:
        sys.settrace(None)
    return seen, time.process_time() - begun


def changed(rng, data, other):
    """``data`` with a few places overwritten, cut, doubled, or taken from ``other``."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 8))):
        at = rng.randrange(len(out) + 1)
        size = rng.choice((1, 1, 2, 8, 40))
        kind = rng.randrange(6)
        if kind == 0:
            out[at : at + size] = rng.randbytes(size)
        elif kind == 1:
            del out[at : at + size]
        elif kind == 2:
            out[at:at] = out[at : at + size] * rng.choice((1, 2, 50))
        elif kind == 3 and other:
            start = rng.randrange(len(other))
            out[at:at] = other[start : start + size]
        elif kind == 4:
            out[at : at + size] = rng.choice(
                (b"0", b"-1", b"1e400", b"nan", b'"', b"[", b"{", b"\n", b"=", b"99999999")
            )
        elif out:
            out[at % len(out)] ^= 1 << rng.randrange(8)
    return bytes(out[:_LONGEST_BYTES])


def run(asked):
    """Prints the section; whether anything was found."""
    table = Table(
        f"guided, {asked.seconds:.0f} s each, seed {asked.seed}",
        ("target", 28), ("inputs", 8), ("kept", 6), ("steps first", 11), ("steps reached", 13), ("found", 7),
    )  # fmt: skip
    found = False
    for name, (target, seeds) in TARGETS.items():
        found |= _search(table, name, target, list(seeds), random.Random(asked.seed), asked.seconds)
    return found


def _search(table, name, target, kept, rng, seconds):
    known, tried, end = set(), 0, time.monotonic() + seconds
    for data in kept:
        known |= edges_of(target, data)[0]
    first = len(known)
    while time.monotonic() < end:
        data = changed(rng, rng.choice(kept), rng.choice(kept))
        tried += 1
        try:
            seen, took_s = edges_of(target, data)
        except Exception as defect:
            print(f"FOUND {name}: {defect!r}\n  from {data!r}")
            return True
        if took_s > _HANGS_S:
            print(f"FOUND {name}: {took_s:.1f} s\n  from {data!r}")
            return True
        if not seen <= known:
            known |= seen
            kept.append(data)
    table.row(name, tried, len(kept), first, len(known), "nothing")
    return False
