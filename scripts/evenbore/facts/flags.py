"""Words in the column `flags` of notes.tsv: each once, with what to read with care and which measures it puts in doubt.

A measure in doubt stays in notes.tsv and is left out of everything that is worked out from there on.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from evenbore.facts.measures import HIGH_BAND_HZ, MEASURES

UNSURE = 0.5
"""Under this confidence a note is rather another than the expected one."""

_LEVEL = ("level_dbfs", "level_dba", "level_lufs")
_RISE = ("attack_ms", "log_attack", "overshoot_db")
NOISE_MEASURES = ("hnr_db", "noise_low_db", "noise_high_db")
_BEGINNING = (*_RISE, "settle_ms", "transition_ms")


@dataclass(frozen=True, kw_only=True)
class Flag:
    """One word.

    `sentence`: what to read with care; `doubts`: the measures of the note that are not to be relied on, none where they
    are right or empty; `listed`: the word is followed by a colon and these measures instead; `short`: in a
    quick look at one take, None where it says nothing about what that shows.
    """

    word: str
    sentence: str
    doubts: tuple[str, ...] = ()
    listed: bool = False
    short: str | None = None


_ENTRIES = (
    Flag(word="slurred", sentence="follows its predecessor without a gap: no rise of level to time"),
    Flag(
        word="onset_vague",
        sentence="slurred to a note of the same pitch, or sounds together with the echo of the note before for more"
        " than 60 ms: onset_s may lie elsewhere",
    ),
    Flag(
        word="cracked",
        sentence="a part (30 ms, four periods) of its first 0.12 s sounds more than 2.5 semitones away from its middle",
        doubts=_BEGINNING,
        short="cracked",
    ),
    Flag(
        word="attack_hidden",
        sentence="the room, the sound before, a crack or a level that wanders hides how fast the note rises",
    ),
    Flag(
        word="room_heard",
        sentence="the room's echo overlays the notes' beginnings: no overshoot, settling and slurs, attack from the"
        " harmonics' rise",
    ),
    Flag(
        word="room_unknown",
        sentence="no decay and too few gaps between notes tell whether the room is heard: as with room_heard",
    ),
    Flag(
        word="late",
        sentence="attack, settling or transition takes much longer than in the take's other notes",
        short="late",
    ),
    Flag(
        word="unsteady",
        sentence="cents_sd over 15 cents",
        doubts=("f0_hz", "f0_se_cents", "cents", "cents_drift"),
        short="unsteady",
    ),
    Flag(
        word="level_moves",
        sentence="shorter than 0.2 s, and its level changes by more than 2 dB within what ought to be its steady part:"
        " it may begin or end elsewhere",
        doubts=(*_LEVEL, *_BEGINNING),
    ),
    Flag(word="noisy", sentence="snr_db under 20 dB", short="noisy"),
    Flag(
        word="clipped",
        sentence="reaches the ceiling of a clipped recording: level, tone, noise and attack are not measured",
        short="clipped",
    ),
    Flag(
        word="no_quiet_part",
        sentence="nowhere in the recording is it quiet: snr_db is not measurable",
        short="no quiet part",
    ),
    Flag(word="no_high_band", sentence=f"no harmonic above {HIGH_BAND_HZ / 1000:g} kHz stands out of the noise"),
    Flag(word="few_harmonics", sentence="fewer than three harmonics within 30 dB of the strongest: no tilt"),
    Flag(
        word="noise_limited",
        sentence="followed by a colon and measures: the noise may have changed these, or emptied them",
        listed=True,
        short="noise may change the treble",
    ),
    Flag(word="too_short", sentence="no steady part of five periods: nothing measured", short="too short"),
    Flag(
        word="no_clear_pitch",
        sentence="no harmonic stands 10 dB out of the noise: nothing measured",
        short="no clear pitch",
    ),
    Flag(
        word="repeated",
        sentence="played more than once, or broken: one attempt counts",
        short="repeated",
    ),
    Flag(
        word="far_off",
        sentence="more than 50 cents from where the take's other notes put it",
        short="far off",
    ),
    Flag(
        word="other_name",
        sentence="the whole take lies so far from the tuning that it may be the neighbouring notes that were played",
        doubts=("cents",),
        short="name in doubt",
    ),
    Flag(
        word="gain_moved",
        sentence="the recorder moved its gain (automatic gain, limiter)",
        doubts=(*_LEVEL, *_RISE, *NOISE_MEASURES),
        short="gain moved",
    ),
    Flag(
        word="codec_limited",
        sentence="followed by a colon and measures: a lossy codec may have changed these by more than 1 dB, or emptied"
        " them",
        listed=True,
    ),
    Flag(
        word="dropout",
        sentence="samples are missing in it (silenced or left out by the recorder): nothing measured",
        short="dropout",
    ),
    Flag(
        word="cut_off",
        sentence="the file begins or ends within it",
        doubts=(*_LEVEL, *_BEGINNING, *NOISE_MEASURES),
        short="cut off",
    ),
    Flag(
        word="unsure",
        sentence=f"confidence under {UNSURE:g}: rather not the expected note",
        doubts=tuple(measure.name for measure in MEASURES),
        short="unsure",
    ),
)

FLAGS = {flag.word: flag for flag in _ENTRIES}


class Flagged(NamedTuple):
    """A flag as a cell holds it, with the measures listed after its word."""

    flag: Flag
    listed: tuple[str, ...]

    @property
    def doubts(self) -> tuple[str, ...]:
        """The measures that it puts in doubt."""
        return self.listed or self.flag.doubts


def read_flags(cell: str) -> Iterator[Flagged]:
    """The flags of one cell of the column.

    >>> [(one.flag.word, one.listed, one.doubts) for one in read_flags("slurred noise_limited:hnr_db,odd_even_db")]
    [('slurred', (), ()), ('noise_limited', ('hnr_db', 'odd_even_db'), ('hnr_db', 'odd_even_db'))]
    """
    for one in cell.split():
        word, _, listed = one.partition(":")
        yield Flagged(FLAGS[word], tuple(filter(None, listed.split(","))))
