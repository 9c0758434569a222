"""The smallest Standard MIDI File that plays timed notes on one General MIDI program.

Format 0, division 500 at 120 quarters a minute, so that one tick is one millisecond
(Standard MIDI Files 1.0, MIDI Manufacturers Association, 1988: header, variable-length delta times).
"""

import struct
from collections.abc import Iterable

TICKS_PER_S = 1000


def _variable_length(value: int) -> bytes:
    parts = [value & 0x7F]
    while value := value >> 7:
        parts.append(0x80 | (value & 0x7F))
    return bytes(reversed(parts))


def midi_file(program: int, notes: Iterable[tuple[int, float, float]], velocity: int, tail_s: float) -> bytes:
    """File contents for notes (midi note, on in s, off in s) on `program` (0-based), with silence after the last."""
    events = [(0, bytes([0xC0, program]))]
    for note, on_s, off_s in notes:
        events.append((round(on_s * TICKS_PER_S), bytes([0x90, note, velocity])))
        events.append((round(off_s * TICKS_PER_S), bytes([0x80, note, 0])))
    events.sort(key=lambda event: event[0])
    end = events[-1][0] + round(tail_s * TICKS_PER_S)
    track, now = bytearray(), 0
    for tick, message in [*events, (end, b"\xff\x2f\x00")]:
        track += _variable_length(tick - now) + message
        now = tick
    header = b"MThd" + struct.pack(">IHHH", 6, 0, 1, TICKS_PER_S // 2)
    return header + b"MTrk" + struct.pack(">I", len(track)) + bytes(track)
