"""How a note speaks: rise of its level, time until its pitch has settled, and whether it cracked."""

from itertools import islice, repeat

import numpy as np
from scipy import fft

from evenbore.facts.arrays import Bools, Floats, Floats32, Ints, quantile
from evenbore.facts.rows import Row
from evenbore.notes.rise import rise_ms
from evenbore.notes.spectrum import Frames, Harmonics, analyse, overlapping
from evenbore.recording.audio import Signal

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_LOOK_BACK_S = 0.06
_LOOK_AHEAD_S = 0.5
_HOP_S = 0.002
_LEAST_WINDOW_S = 0.006
_SETTLED_CENTS = 10.0
_SETTLE_PERIODS = 5.0
_LEAST_DIP = 0.5
# ASSUME: a player's own release is over within this time and lets the level fall this far; common practice, no source
_DRY_REVERB_S, _DRY_TROUGH = 0.25, 0.1
_WANDER, _MOST_UNSURE_MS = 0.05, 20.0  # of the steady level, and what its standard deviation may make of the attack
_LEAST_GAPS = 4  # one may be a breath, long enough for any room to die away
_CLEAR_DB = 10.0  # harmonics less than this above the noise do not tell when pitch has settled
_BEST_SNR_DB = 45.0
_LOW_HZ = 500.0  # up to here the sound at half the rate tells how a note settles, and the pitch of what it may break to
_HIGHEST_HARMONIC = 8  # its phase cannot have slipped a turn within a hop of 1.25 periods unless 80 cents off
_FIRST_PART_S, _FIRST_PART_PERIODS, _BREAKS_S = 0.03, 4.0, 0.12
_TOGETHER = 8  # notes whose parts are transformed at a time: memory, and neighbours are of a length
_HEARD = 0.2  # of the middle's amplitude: what sounds before a note's own spectrum shows belongs to its beginning
# first pitches looked for: a twelfth lower (as the part allows), two octaves higher
_LOWEST_RATIO, _HIGHEST_RATIO = 3.3, 4.2
_LONGEST_LAG = 0.55  # of the first part: it must repeat to have a pitch
_TONAL = 0.7  # least autocorrelation of a tone
_NEAR_BEST = 0.85
_SAME_LAG = 0.02
_ALIKE = 0.6  # share of the highest correlation at which a pitch counts as sounding too
_ECHO = 0.8  # the same for the pitch of the note before
_OTHER_PITCH_SEMITONES = 2.5  # beyond the echo of the note before in a scale


def attacks(
    signal: Signal, onset_s: list[float], offset_s: list[float], spectra: list[Harmonics], reverb_s: float
) -> tuple[list[Row], str]:
    """attack_ms, log_attack and overshoot_db of notes that begin by themselves, not in a slur; and `room_heard` where
    the room is heard at their beginnings, `room_unknown` where it may be, else nothing.

    It is heard when the recording's reverberation time `reverb_s` is long, or the level between notes stays high. Then,
    and when neither is known (too few gaps, NaN), the attack is that of the harmonics' rise (`rise`), and overshoot,
    which nothing tells from the room's own, is NaN.
    """
    measured: list[tuple[float, float, float | None]] = []
    room = _room([], reverb_s) if reverb_s > _DRY_REVERB_S else ""
    if not room:
        measured = [
            _attack(signal, onset, offset, float(spectrum.frequency_hz[0]))
            for onset, offset, spectrum in zip(onset_s, offset_s, spectra, strict=True)
        ]
        room = _room([trough for _, _, trough in measured if trough is not None], reverb_s)
    if room:
        measured = [(rise, np.nan, None) for rise in map(rise_ms, repeat(signal), onset_s, offset_s, spectra)]
    rows = [
        {
            "attack_ms": attack,
            "log_attack": float(np.log10(attack / 1000)) if attack > 0 else np.nan,
            "overshoot_db": overshoot,
        }
        for attack, overshoot, _ in measured
    ]
    return rows, room


def _room(troughs: list[float], reverb_s: float) -> str:
    """What the levels between notes, shares of theirs, and the reverberation time tell of the room."""
    if reverb_s > _DRY_REVERB_S or (troughs and np.median(troughs) > _DRY_TROUGH):
        return "room_heard"
    return "" if reverb_s <= _DRY_REVERB_S or len(troughs) >= _LEAST_GAPS else "room_unknown"


def _attack(signal: Signal, onset_s: float, offset_s: float, f0_hz: float) -> tuple[float, float, float | None]:
    """attack_ms, overshoot_db, and the lowest level just before the note as a share of the steady one, None without a
    gap.

    The level is the root mean square over whole periods, two at least, 6 ms at least. The attack is the time from
    10 % to 90 % of its rise, from the lowest level just before the note to the steady one, at the crossings next to
    that of 50 % (IEC 60469:2013, transition duration, from memory). NaN where the steady level wanders so much that it
    moves the end of a slow rise, or where the rise begins sooner than `_LOOK_BACK_S` before the note.
    """
    rate = signal.rate
    width = round(max(2, np.ceil(_LEAST_WINDOW_S * f0_hz)) / f0_hz * rate)
    stop_s = min(onset_s + _LOOK_AHEAD_S, onset_s + 0.75 * (offset_s - onset_s))
    first = round((onset_s - _LOOK_BACK_S) * rate)
    hop = max(1, round(_HOP_S * rate))
    x = signal.slice(first - width // 2, round(stop_s * rate) + width)
    # a window is some whole hops and a part of the next one
    whole, part = divmod(width, hop)
    count = (len(x) - width) // hop + 1
    squares = np.zeros((count + whole) * hop, np.float32)
    np.square(x[: len(squares)], out=squares[: len(x)])
    hops = squares.reshape(-1, hop)
    running = np.concatenate([[0.0], np.cumsum(hops.sum(axis=1), dtype=float)])
    energy = running[whole:-1] - running[: -1 - whole] + hops[whole:, :part].sum(axis=1)
    envelope = np.sqrt(np.maximum(energy, 0) / width)
    steady = quantile(envelope[len(envelope) // 2 :], 0.5)
    reached = np.nonzero(envelope >= steady)[0]
    if len(reached) == 0:
        return np.nan, np.nan, None
    k0 = int(np.argmin(envelope[: reached[0] + 1]))
    trough = float(envelope[k0] / steady)
    if trough > _LEAST_DIP:
        return np.nan, np.nan, None  # the sound before the note hides its rise
    if k0 == 0 and trough > _DRY_TROUGH:
        return np.nan, np.nan, trough  # it began to rise before what is looked at
    rise = (envelope[k0 : reached[0] + 1] / steady - trough) / (1 - trough)
    half = int(np.nonzero(rise < 0.5)[0][-1]) + 1
    risen = half + int(np.argmax(rise[half:] >= 0.9))
    ms = 1000 * hop / rate
    attack = (_last_crossing(rise[: risen + 1], 0.9) - _last_crossing(rise[: half + 1], 0.1)) * ms
    around = np.searchsorted(np.maximum.accumulate(rise[half:]), 0.9 + np.array([-_WANDER, _WANDER]))
    wander = float(envelope[len(envelope) // 2 :].std() / steady)
    if (around[1] - around[0]) * ms * wander / (2 * _WANDER) > _MOST_UNSURE_MS:
        attack = np.nan
    return float(attack), float(20 * np.log10(envelope[reached[0] :].max() / steady)), trough


def _last_crossing(rise: Floats, level: float) -> float:
    """Index, with its fraction, at which `rise` last passes `level` on its way from 0 to 1."""
    k = int(np.nonzero(rise < level)[0][-1])
    return k + float((level - rise[k]) / (rise[k + 1] - rise[k]))


def settle_ms(signal: Signal, onset_s: float, offset_s: float, spectrum: Harmonics) -> float:
    """Time from the onset until pitch stays within 10 cents of the steady one, in ms; NaN when it never does.

    Never less than half the analysis window of five periods (at least 20 ms): pitch cannot be known sooner.
    """
    f0_hz = float(spectrum.frequency_hz[0])
    heard = signal.halved if f0_hz <= _LOW_HZ else signal
    stop_s = min(onset_s + _LOOK_AHEAD_S, offset_s - 0.03)
    x = heard.slice(round(onset_s * heard.rate), round(stop_s * heard.rate))
    frames = analyse(x, heard.rate, f0_hz, _SETTLE_PERIODS, (_HIGHEST_HARMONIC + 1) * f0_hz)
    if frames is None:
        return np.nan
    track = _track_cents(frames, spectrum)
    if len(track) == 0:
        return np.nan
    steady = quantile(track[len(track) // 2 :], 0.5)
    off = np.nonzero(np.abs(track - steady) > _SETTLED_CENTS)[0]
    first = off[-1] + 1 if len(off) else 0
    if first == len(track):
        return np.nan
    return float(1000 * (frames.size / 2 / heard.rate + first * frames.hop_s))


def _track_cents(frames: Frames, spectrum: Harmonics) -> Floats:
    """Pitch (F - 1,) in cents around the steady one, from the phase advance of the harmonics (see `pitch`)."""
    use = (spectrum.above_noise_db >= _CLEAR_DB) & (spectrum.number <= _HIGHEST_HARMONIC)
    number, frequency = spectrum.number[use], spectrum.frequency_hz[use]
    if len(number) == 0:
        return np.empty(0)
    weight = number**2 * 10 ** (np.minimum(spectrum.above_noise_db[use], _BEST_SNR_DB) / 10)
    values = frames.values[:, np.rint(frequency / frames.bin_hz).astype(int)]
    turn = np.exp(-2j * np.pi * frequency * frames.hop_s).astype(np.complex64)
    advance = np.angle(values[1:] * np.conj(values[:-1]) * turn)
    share: Floats = advance @ (weight / (2 * np.pi * frames.hop_s * frequency)) / np.sum(weight)  # of the steady pitch
    return 1200 * np.log2(np.maximum(1 + share, 1e-3))


def cracked(
    signal: Signal, onset_s: Floats, offset_s: Floats, f0_hz: Floats, before_hz: Floats, before_s: Floats
) -> Bools:
    """(N,) whether a part of a note's first 0.12 s, or of the 0.12 s before, sounds at another pitch than its middle.

    A note's onset is that of its own spectrum, which a crack may not hold: what is heard before it, after the end
    `before_s` of the note before, is its beginning as well. All arguments are (N,).

    Parts of 30 ms, or four periods, half as far apart. The pitch of all is read off the autocorrelation in the same
    way: the shortest lag with a peak near the highest. A part without a clear pitch, or one that sounds at the pitch of
    the note before as well (`before_hz`, NaN without one), does not count, nor does a note too short for two parts.
    """
    broke = []
    notes = zip(*(of.tolist() for of in (onset_s, offset_s, f0_hz, before_s)), strict=True)
    before = iter(before_hz.tolist())
    while some := list(islice(notes, _TOGETHER)):
        heard = signal.halved if max(hz for _, _, hz, _ in some) <= _LOW_HZ else signal
        rate, parts = heard.rate, [_parts(heard, *note) for note in some]
        highest = [int(rate / (hz * _HIGHEST_RATIO)) for _, _, hz, _ in some]
        lowest = [
            round(min(_LOWEST_RATIO * rate / hz, _LONGEST_LAG * x.shape[1]))
            for (_, _, hz, _), x in zip(some, parts, strict=True)
        ]
        lags = [np.arange(max(2, short), long + 2) for short, long in zip(highest, lowest, strict=True)]
        for x, product, its in zip(parts, _products(parts, max(lowest) + 1), lags, strict=True):
            broke.append(_breaks(_correlation(x, product, its), its, rate / next(before)))
    return np.array(broke, bool)


def _parts(signal: Signal, onset_s: float, offset_s: float, f0_hz: float, before_s: float) -> Floats32:
    """(P, n) the parts of a note's beginning that are heard, and last one of its middle; none of too short a note."""
    length = round(max(_FIRST_PART_S, _FIRST_PART_PERIODS / f0_hz) * signal.rate)
    first, middle, end = (round(s * signal.rate) for s in (onset_s, 0.5 * (onset_s + offset_s), offset_s))
    reach, hop = round(_BREAKS_S * signal.rate), length // 2
    last = min(first + reach, middle - length)
    if last < first or middle > end - length:
        return np.empty((0, length), np.float32)
    before = max(first - max(round(before_s * signal.rate), first - reach, 0), 0) // hop
    start, stop = first - before * hop, first + (last - first) // hop * hop + length
    x = np.concatenate([overlapping(signal.slice(start, stop), length, hop), [signal.slice(middle, middle + length)]])
    loud = np.einsum("pn,pn->p", x, x)
    heard: Floats32 = x[(np.arange(len(x)) >= before) | (loud >= _HEARD**2 * loud[-1])]
    return heard


def _breaks(correlation: Floats32, lags: Ints, before_lag: float) -> bool:
    """Whether one of the parts (P, L) sounds at another pitch than the last of them."""
    pitch = _best_lags(correlation)
    if not len(pitch) or pitch[-1] == 0:
        return False
    steady = lags[pitch[-1]]
    other = 12 * np.abs(np.log2(lags[pitch] / steady)) > _OTHER_PITCH_SEMITONES
    return any(
        not _alike(correlation[k], correlation[-1], lags, pitch[k], steady)
        and not _echo(correlation[k], lags, pitch[k], before_lag)
        for k in np.nonzero(other & (pitch > 0))[0].tolist()
    )


def _alike(early_row: Floats32, steady_row: Floats32, lags: Ints, early: int, steady: float) -> bool:
    """Whether each part sounds at the other's pitch as well: a trace of another octave in an attack is no crack."""
    heard = _at(early_row, lags, steady) / early_row[early]
    return bool(min(heard, _at(steady_row, lags, lags[early]) / steady_row.max()) >= _ALIKE)


def _echo(row: Floats32, lags: Ints, early: int, before_lag: float) -> bool:
    """Whether a part sounds at the pitch of the note before as well, or at a period common to it and the new note."""
    times = lags[early] / before_lag
    common = times > 0.5 and abs(times - np.rint(times)) < _SAME_LAG
    return bool(_at(row, lags, before_lag) >= _ECHO * row[early] or common)


def _products(parts: list[Floats32], longest: int) -> list[Floats32]:
    """Of parts (P, n) of each note the sums of products (P, …) of samples so far apart, for lags up to the longest."""
    size = 2 * fft.next_fast_len((max(x.shape[1] for x in parts) + longest + 1) // 2, real=True)
    padded, ends = np.zeros((sum(len(x) for x in parts), size), np.float32), np.cumsum([len(x) for x in parts])
    for x, end in zip(parts, ends.tolist(), strict=True):
        padded[end - len(x) : end, : x.shape[1]] = x
    spectrum = fft.rfft(padded, axis=1)
    power = np.square(spectrum.real)
    power += np.square(spectrum.imag)
    # of what is real and even this is the inverse transform, without a spectrum of complex numbers
    return np.split(fft.dct(power, 1, axis=1, norm="forward"), ends[:-1])


def _correlation(x: Floats32, product: Floats32, lags: Ints) -> Floats32:
    """Autocorrelation (P, L) of parts (P, n) at successive lags, by the energy of the two stretches compared."""
    length, least, longest = x.shape[1], int(lags[0]), int(lags[-1])
    energy = np.zeros((len(x), length + 1))
    np.square(x, out=energy[:, 1:], dtype=float)
    np.add.accumulate(energy, axis=1, out=energy)
    both = energy[:, -1:] - energy[:, least : longest + 1]
    both *= energy[:, length - longest : length - least + 1][:, ::-1]
    correlation: Floats32 = product[:, least : longest + 1] / np.sqrt(np.maximum(both, 1e-20)).astype(np.float32)
    return correlation


def _at(correlation: Floats32, lags: Ints, lag: float) -> float:
    """Highest correlation near a lag; -inf where none of `lags` is."""
    near = np.abs(lags / lag - 1) < _SAME_LAG
    return float(correlation[near].max()) if near.any() else -np.inf


def _best_lags(correlation: Floats32) -> Ints:
    """(N,) index of the first peak near the highest value; 0 where there is no peak as high as a tone's."""
    inner = correlation[:, 1:-1]
    least = np.maximum(_TONAL, _NEAR_BEST * correlation.max(axis=1, keepdims=True))
    peak = (inner >= correlation[:, :-2]) & (inner > correlation[:, 2:]) & (inner >= least)
    return np.where(peak.any(axis=1), peak.argmax(axis=1) + 1, 0)
