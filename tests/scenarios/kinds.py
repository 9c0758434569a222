"""What can happen to a take: what players do, what sheets say wrong, what recorders and files do.

A kind makes strokes of a draft (`play`), may change what the sheet says (`sheet`), and what the recording does
(`change`). `expect`: `ok`, the take is to be measured; `remark`, its reason must hold one of the `words`; `set_aside`,
nothing may be measured. `refusable`: setting it aside is no mistake.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from rendering.dress import breath, speech
from rendering.render import RATE

from . import files
from .drafts import Draft, changed
from .files import Change
from .play import Other, Stroke

OK, REMARK, SET_ASIDE = "ok", "remark", "set_aside"
MISSING = ("not found", "not played", "another note", "missing", "left out", "wrong")
Strokes = list[Stroke | Other]


@dataclass(frozen=True)
class Kind:
    """See above. `fixed`: fields of the draft; `families`: those that can do it, all by default; `reach`: semitones
    above the scale that must be playable; `form`: the file's."""

    name: str
    group: str
    play: Callable[[Draft], Strokes] = Draft.plain
    sheet: Callable[[Draft], None] | None = None
    change: Change | None = None
    form: str = "flac"
    expect: str = OK
    words: tuple[str, ...] = ()
    refusable: bool = False
    fixed: dict = field(default_factory=dict)
    families: tuple[str, ...] = ()
    reach: int = 0

    @property
    def changes(self) -> bool:
        """Whether the recording or the file changes what was played."""
        return self.change is not None or self.form != "flac"


# What players do


def again(pause_s: float, first_s: float | None = None, times: int = 2) -> Callable[[Draft], Strokes]:
    """Two notes of the scale attempted so many times; the earlier attempts as long as the last or `first_s`."""

    def play(draft: Draft) -> Strokes:
        strokes: Strokes = []
        twice = draft.inner(2)
        for step, stroke in enumerate(draft.plain()):
            strokes.append(stroke)
            if step in twice:
                if first_s is not None:
                    strokes[-1] = replace(stroke, seconds=first_s)
                for _ in range(times - 1):
                    fresh = draft.stroke(step, stroke.midi, first=True)
                    strokes.append(replace(fresh, gap_s=pause_s))
        return strokes

    return play


def break_and_go_on(sound: Callable[[Draft], np.ndarray], pause_s: float) -> Callable[[Draft], Strokes]:
    """The player stops once, something is heard, and the scale goes on."""

    def play(draft: Draft) -> Strokes:
        strokes: Strokes = list(draft.plain())
        step = draft.inner(1)[0]
        strokes[step] = replace(draft.stroke(step, draft.midis[step], first=True), gap_s=pause_s)
        return [*strokes[:step], Other(sound(draft), pause_s), *strokes[step:]]

    return play


def air(draft: Draft) -> np.ndarray:
    return breath(0.5, 0.15 * loudness(draft), int(draft.rng.integers(1 << 31)))


def cough(draft: Draft) -> np.ndarray:
    """Two bursts of coarse noise."""
    burst = breath(0.22, 0.7 * loudness(draft), int(draft.rng.integers(1 << 31)))
    return np.concatenate([burst, np.zeros(round(0.12 * RATE)), burst])


def words(draft: Draft) -> np.ndarray:
    return speech("Sorry, once more from here.", 0.5 * loudness(draft), ("en", "en+f3")[int(draft.rng.integers(2))])


def loudness(draft: Draft) -> float:
    """Root mean square amplitude of the scale's middle note."""
    body = draft.bank[draft.midis[len(draft.midis) // 2]].audio[round(0.4 * RATE) :]
    return float(np.sqrt(np.mean(body.astype(float) ** 2)))


def step_back(draft: Draft) -> Strokes:
    """The player stops after a note and begins again two notes before it."""
    strokes: Strokes = list(draft.plain())
    step = draft.inner(1)[0]
    fresh = [draft.stroke(k, draft.midis[k], first=k == step - 2) for k in range(step - 2, step + 1)]
    fresh[0] = replace(fresh[0], gap_s=0.5)
    return [*strokes[: step + 1], *fresh, *strokes[step + 1 :]]


def tongued_again(draft: Draft) -> Strokes:
    """Two notes are held, and then struck once more."""
    return again(0.03)(draft)


def each_of(count: int, **change) -> Callable[[Draft], Strokes]:
    """So many notes inside the scale played differently."""
    return lambda draft: changed(draft.plain(), {step: change for step in draft.inner(count)})


def all_of(**change) -> Callable[[Draft], Strokes]:
    """Every note played differently."""
    return lambda draft: [replace(stroke, **change) for stroke in draft.plain()]


def neighbour(draft: Draft) -> Strokes:
    """Two notes come out as the one before: a key stuck."""
    at = {step: {"midi": draft.midis[step - 1], "steps": ()} for step in draft.inner(2)}
    return changed(draft.plain(), at)


def left_out(count: int) -> Callable[[Draft], Strokes]:
    """Notes that are not played, one or some in different places."""
    return lambda draft: _without(draft, draft.inner(count))


def _without(draft: Draft, steps: list[int]) -> Strokes:
    return [stroke for step, stroke in enumerate(draft.plain()) if step not in steps]


def squeak(draft: Draft) -> Strokes:
    """Two notes break out into the octave for 0.12 s in their middle."""
    steps = draft.inner(2)
    return changed(draft.plain(), {k: {"blip": (12, 0.3, 0.12), "seconds": 0.8} for k in steps})


def crack(draft: Draft) -> Strokes:
    """Three notes begin with 0.08 s of the octave."""
    return changed(draft.plain(), {step: {"blip": (12, 0.0, 0.08), "seconds": 0.7} for step in draft.inner(3)})


def overblown(draft: Draft) -> Strokes:
    """Two notes come out an octave high, from end to end."""
    at = {step: {"midi": draft.midis[step] + 12, "steps": ()} for step in draft.inner(2)}
    return changed(draft.plain(), at)


def low_register_overblown(draft: Draft) -> Strokes:
    """The lower half of the scale sounds an octave high."""
    middle = (draft.low + draft.high) // 2
    return [s if s.midi > middle else replace(s, midi=s.midi + 12, steps=()) for s in draft.plain()]


def fast(notes_a_second: float) -> Callable[[Draft], Strokes]:
    """A scale in even notes, 20 ms between tongued ones."""

    def play(draft: Draft) -> Strokes:
        one = 1 / notes_a_second
        return [replace(s, seconds=one + 0.04 if s.slurred else one - 0.02, gap_s=0.02) for s in draft.plain()]

    return play


def swells(draft: Draft) -> Strokes:
    """Every note grows over a long time: 10 to 90 % in 160 to 250 ms."""
    rises = draft.rng.uniform(0.16, 0.25, len(draft.midis)) / 0.59
    return [
        replace(s, rise_s=float(rise), seconds=s.seconds + 0.4) for s, rise in zip(draft.plain(), rises, strict=True)
    ]


def soft(draft: Draft) -> Strokes:
    """Very soft, with breath 12 dB below the note."""
    return [replace(stroke, gain_db=-25.0, breath_db=-12.0) for stroke in draft.plain()]


def fragments(draft: Draft) -> Strokes:
    """Three stretches of four to six notes are tried, then the whole scale is played."""
    strokes: Strokes = []
    for _ in range(3):
        begin = int(draft.rng.integers(0, len(draft.midis) - 6))
        count = int(draft.rng.integers(4, 7))
        tried = [draft.stroke(k, draft.midis[k], first=k == begin, of_pass=0) for k in range(begin, begin + count)]
        strokes += [replace(tried[0], gap_s=_rest(draft)), *tried[1:]]
    return [*strokes, *_after_a_rest(draft, draft.plain())]


def aborted(share: float, then_whole: bool) -> Callable[[Draft], Strokes]:
    """A pass broken off after a share of its notes, and a whole one or nothing more."""

    def play(draft: Draft) -> Strokes:
        begun = draft.plain(of_pass=0 if then_whole else 1)[: round(share * len(draft.midis))]
        return [*begun, *_after_a_rest(draft, draft.plain())] if then_whole else list(begun)

    return play


def whole_passes(count: int) -> Callable[[Draft], Strokes]:
    def play(draft: Draft) -> Strokes:
        strokes: Strokes = []
        for number in range(1, count + 1):
            strokes += _after_a_rest(draft, draft.plain(of_pass=number))
        return strokes

    return play


def bad_then_good(draft: Draft) -> Strokes:
    """Two whole passes; in the first, three notes are a neighbour of the right one."""
    first = draft.plain()
    at = {step: {"midi": first[step].midi + int(draft.rng.choice([-1, 1])), "steps": ()} for step in draft.inner(3)}
    return [*changed(first, at), *_after_a_rest(draft, draft.plain(of_pass=2))]


def _after_a_rest(draft: Draft, strokes: list[Stroke]) -> list[Stroke]:
    return [replace(strokes[0], gap_s=_rest(draft)), *strokes[1:]]


def _rest(draft: Draft) -> float:
    return float(draft.rng.uniform(0.7, 1.8))


PLAYERS = "players"
SEVERAL = {"expect": SET_ASIDE, "refusable": True}  # takes in one file, that nothing tells apart
TONGUED, SHORT, UP = {"articulation": "tongued"}, {"window": (12, 15)}, {"direction": "up"}
FAST_WORDS, FLAT_WORDS = ("short", "fast"), ("flat", "lower", "semitone", "cents", "tuning")


def _played() -> list[Kind]:
    def kind(name: str, play: Callable[[Draft], Strokes], **more) -> Kind:
        return Kind(name, PLAYERS, play, **more)

    return [
        kind("plain", Draft.plain),
        kind("note attempted twice, 0.1 s pause", again(0.1)),
        kind("note attempted twice, 0.3 s pause", again(0.3)),
        kind("note attempted twice, 0.6 s pause", again(0.6)),
        kind("first attempt broken off short", again(0.3, first_s=0.18)),
        kind("note attempted three times", again(0.25, times=3)),
        kind("stop, breath, go on", break_and_go_on(air, 0.3)),
        kind("cough between", break_and_go_on(cough, 0.2)),
        kind("speech between", break_and_go_on(words, 0.4)),
        kind("restart from two notes before", step_back),
        kind("note held, then tongued again", tongued_again),
        kind("note 75 cents sharp", each_of(2, cents=75.0)),
        kind("note 75 cents flat", each_of(2, cents=-75.0)),
        kind("note 120 cents sharp", each_of(2, cents=120.0)),
        kind("note comes out as its neighbour", neighbour, expect=REMARK, words=MISSING),
        kind("note left out", left_out(1), expect=REMARK, words=MISSING),
        kind("two notes left out", left_out(2), expect=REMARK, words=MISSING),
        kind("octave squeak within a note", squeak, reach=12),
        kind("cracked attack", crack, fixed=TONGUED, reach=12),
        kind("note overblown by an octave", overblown, expect=REMARK, words=MISSING, reach=12),
        kind(
            "low register overblown by an octave",
            low_register_overblown,
            expect=REMARK,
            words=(*MISSING, "octave"),
            refusable=True,
            families=("flute", "oboe", "saxophone_alto", "piccolo"),
            fixed=UP,
            reach=12,
        ),
        kind("8 notes a second", fast(8)),
        kind("12 notes a second", fast(12)),
        kind("very slow swells", swells, fixed=TONGUED),
        kind("vibrato of 30 cents", all_of(vibrato_cents=30.0)),
        kind("pitch drifts 40 cents in each note", all_of(drift_cents=-40.0)),
        kind("whole take 45 cents flat", all_of(cents=-45.0)),
        kind("whole take 85 cents flat", all_of(cents=-85.0), expect=REMARK, words=FLAT_WORDS),
        kind("whole take 70 cents sharp", all_of(cents=70.0)),
        kind("very soft, with breath", soft),
        kind("fragments practised before", fragments),
        kind("broken off at 85 %", aborted(0.85, False), expect=REMARK, words=("breaks off",), fixed=UP),
        kind("broken off half way, then whole", aborted(0.5, True), fixed=UP),
        kind("two whole passes", whole_passes(2), **SEVERAL),
        kind("five whole passes", whole_passes(5), fixed=SHORT | UP, **SEVERAL),
        kind("a bad pass, then a good one", bad_then_good, **SEVERAL),
    ]


# What sheets say wrong


def moved(semitones: int) -> Callable[[Draft], None]:
    """The sheet's range is some semitones off."""
    return lambda draft: draft.sheet.update(low=draft.low + semitones, high=draft.high + semitones)


def says(**words) -> Callable[[Draft], None]:
    return lambda draft: draft.sheet.update(words)


def turned(draft: Draft) -> None:
    draft.sheet["direction"] = {"up": "down", "down": "up"}[draft.direction]


LIKE = {
    "flute": "oboe",
    "oboe": "flute",
    "clarinet_b_flat": "saxophone_soprano",
    "saxophone_soprano": "clarinet_b_flat",
    "trumpet_b_flat": "clarinet_b_flat",
    "saxophone_alto": "horn_f",
    "trombone": "bassoon",
    "bassoon": "trombone",
}


def like_family(draft: Draft) -> None:
    """The sheet has another family of about the same range."""
    draft.sheet["family"] = LIKE[draft.family]


def only_speech(draft: Draft) -> Strokes:
    text = "Right, I am going to play a chromatic scale now, from the lowest note up to the top, and then once more."
    return [Other(speech(text, 0.1, voice), 0.5) for voice in ("en", "en+f3")]


def sweep(draft: Draft) -> Strokes:
    """A tone of six harmonics glides evenly from the lowest note to the highest."""
    seconds = 0.5 * len(draft.midis)
    time = np.arange(round(seconds * RATE)) / RATE
    midi = draft.low + (draft.high - draft.low) * time / seconds
    phase = 2 * np.pi * np.cumsum(440 * 2 ** ((midi - 69) / 12)) / RATE
    return [Other(0.1 * sum(np.sin(order * phase) / order for order in range(1, 7)), 0.3)]


def only_noise(draft: Draft) -> Strokes:
    return [Other(0.03 * draft.rng.standard_normal(12 * RATE), 0.2)]


def one_octave(draft: Draft) -> Strokes:
    """Thirteen notes out of the middle."""
    first = (len(draft.midis) - 13) // 2
    return draft.plain()[first : first + 13]


def _sheets() -> list[Kind]:
    def kind(name: str, **more) -> Kind:
        return Kind(name, "sheets", **{"expect": REMARK, "refusable": True, "fixed": UP} | more)

    shift = ("semitone", "higher", "lower", "octave", *MISSING)
    return [
        kind("sheet a semitone off", sheet=moved(1), words=shift),
        kind("sheet a semitone off, up and down", sheet=moved(-1), words=shift, fixed={"direction": "up-down"}),
        kind(
            "sheet of the B flat clarinet for one in A",
            sheet=moved(1),
            words=shift,
            families=("clarinet_b_flat",),
            fixed=UP | {"window": (30, 44)},
        ),
        kind(
            "sheet of the A clarinet for one in B flat",
            sheet=moved(-1),
            words=shift,
            families=("clarinet_b_flat",),
            fixed=UP | {"window": (30, 44)},
        ),
        kind("sheet an octave off", sheet=moved(-12), expect=SET_ASIDE, words=shift),
        kind("sheet an octave too high", sheet=moved(12), expect=SET_ASIDE, words=shift),
        kind("sheet says the opposite direction", sheet=turned, expect=SET_ASIDE),
        kind(
            "up and down played, up asked",
            sheet=says(direction="up"),
            fixed={"direction": "up-down"},
            expect=OK,
            refusable=False,
        ),
        kind("up played, up and down asked", sheet=says(direction="up-down"), words=(*MISSING, "direction")),
        kind(
            "chromatic played, major asked",
            sheet=says(pattern="major"),
            words=("between", "chromatic", "other notes", "more notes", "pattern"),
        ),
        kind("sheet of another family", sheet=like_family, families=tuple(LIKE), words=("family", "sounds like")),
        kind("only speech", play=only_speech, expect=SET_ASIDE),
        kind("a glide over the range", play=sweep, expect=SET_ASIDE),
        kind("only noise", play=only_noise, expect=SET_ASIDE),
        kind("one octave of a full range", play=one_octave, words=(*MISSING, "range"), fixed=UP | {"window": (26, 40)}),
    ]


def _files() -> list[Kind]:
    def kind(name: str, change: Change | None = None, form: str = "flac", **more) -> Kind:
        return Kind(name, "files", change=change, form=form, **more)

    def coded(name: str, form: str) -> Kind:
        return kind(name, form=form)

    return [
        kind("direct current", files.direct_current),
        kind("automatic gain", files.automatic_gain),
        *(coded(f"MP3 {rate} kbit/s", f"mp3 {rate}") for rate in (48, 64, 128)),
        *(coded(f"Opus {rate} kbit/s", f"opus {rate}") for rate in (24, 32, 64)),
        coded("AAC 64 kbit/s", "aac 64"),
        kind("dropouts", files.dropouts),
        kind("lost buffers", files.lost_buffers),
        kind("file begins within the first note", files.late_start),
        kind("file ends within the last note", files.early_end),
        kind("clipped 6 dB", files.overdriven),
        kind("noise 15 dB down", files.noise(15)),
        *(
            kind(
                f"room {rt60_s:g} s, breath {-breath_db} dB down", files.room(rt60_s), play=all_of(breath_db=breath_db)
            )
            for rt60_s in (0.5, 1.2)
            for breath_db in (-25, -40)
        ),
        kind("fan", files.fan),
        kind("recorded at 16 kHz", files.narrow),
        kind("two channels of opposite sign", files.opposite),
    ]


KINDS = {kind.name: kind for kind in (*_played(), *_sheets(), *_files())}
