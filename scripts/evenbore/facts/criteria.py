"""What instruments are judged by: everything that is known of a criterion stands in its entry of CRITERIA.

Tables, config, schema, figures, report and documents read it here; its function of the same name is in
`judge/values.py`. Units are cents, dB, ms or the study's currency.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple, TypeAlias

Bound: TypeAlias = Literal["max", "min"]

# ASSUME: own choice, no source.
NEIGHBOURS = 4  # semitones on either side that say what a note should be
MIN_NOTES = 5
LEVEL_STEP_DB = 3.0  # the least between a soft and a loud take

LARGEST = {"cents": 200, "dB": 60, "ms": 5000}
"""Unit -> the largest just-noticeable difference that a config may give."""

PRIORITIES = ("beginner", "section_player", "soloist", "workshop_lot")
"""The sets of weights that a study starts with, in the config's order."""


class Better(NamedTuple):
    """Which way is better: as a sentence, and beside a figure's axis."""

    sentence: str
    axis: str


BETTER = {
    "lower": Better("Lower is better", "← better"),
    "higher": Better("Higher is better", "better →"),
    "target": Better("Nearest to 0 is best", "better nearest 0"),
    "taste": Better("Neither way is better", "a matter of taste"),
}


class MustPass(NamedTuple):
    """A must-pass: its words before the limit, the criterion (or `fault_severity`) it is about, its unit, whether the
    limit is the most (`max`) or the least (`min`), and whether no bench mends a failure (`final`)."""

    words: str
    subject: str
    unit: str
    bound: Bound
    final: bool


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """One criterion. In the words, `glossary` is a sentence, the others are clauses that begin small.

    `better`: a key of BETTER; `kind`: what it is computed from, a "take", a loud and a soft take ("dynamics"), or the
    sheets ("cost", which is exact); `reads`: the measures of notes behind it; `articulation`: of the only takes that
    tell it, empty: all.
    `chain_dependent`: room and microphone change it. `additive`: what a session adds to every instrument's value is
    removed where shared instruments show it. `day_kind`: which of DAY_KINDS an instrument's own days change in it.
    `just_noticeable`: the config's default, in its unit, None where no difference is known; `step`: what counts as one
    step in the ranking without one, in its unit, of a cost as a share of the study's median.
    `planning_sd`: standard deviations between instruments, sessions and takes that plans assume, None: not planned for.
    `worded`: the unit in sentences, where that of the tables is not all of it.
    `measure`: field of `TakeNotes` whose change at a single note is noticed alike; `smoothed`: the criterion is the
    `unevenness` of that measure, which what set-up and room leave of their errors widens too.
    `matched`: field of `TakeNotes` that is brought to a loudness common to the instruments first.
    `good`, `bad`: how an instrument reads at its two ends, of a matter of taste against another one: at the upper and
    at the lower end; `missing`: why there is no value.
    `weights`: in the sets of PRIORITIES; `gates`: bound -> words of the must-pass; `final_gates`: the bounds of those
    that no bench mends.
    """

    name: str
    unit: str
    better: Literal["lower", "higher", "target", "taste"]
    kind: Literal["take", "dynamics", "cost"] = "take"
    reads: tuple[str, ...]
    chain_dependent: bool = False
    additive: bool = True
    day_kind: Literal["whole", "between_notes", ""]
    just_noticeable: float | None = None
    planning_sd: tuple[float, float, float] | None
    good: str
    bad: str
    glossary: str
    meaning: str
    source: str
    missing: str
    step: float | None = None
    articulation: str = ""
    measure: str = ""
    worded: str = ""
    smoothed: bool = False
    matched: str = ""
    weights: Mapping[str, float] = field(default_factory=dict)
    gates: Mapping[Bound, str] = field(default_factory=dict)
    final_gates: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (self.just_noticeable or self.step):
            raise ValueError(f"{self.name}: without a just-noticeable difference it needs a step")
        if unknown := set(self.weights) - set(PRIORITIES):
            raise ValueError(f"{self.name}: no such priorities: {', '.join(sorted(unknown))}")


_TOO_FEW = f"fewer than {MIN_NOTES} usable notes"
_TWO_DYNAMICS = "needs takes at the study's softest and loudest dynamic in the same session"
_SMOOTH = f"the curve through its neighbours within {NEIGHBOURS} semitones in the same register"
_SCATTER = "without the player's scatter from note to note, where repeat takes show it"
_DYNAMICS = "Own definition, from loudest and softest takes of the same session paired in take order"
_MATCHED = "; at a loudness common to the instruments, without what the session adds to all"
_NO_USUAL = f"{_TOO_FEW}, or no other instrument of its kind to compare them with"
_MIDDLE = "in the middle of the study's instruments of its kind (set-up removed)"
_JND_PITCH = "just-noticeable difference: 5 cents is just worth noting in direct comparison (common practice)"

# ASSUME: planning_sd is rounded from the demo, whose players are simulated: it gives the order of size and no more. A
# pilot of a few takes is worth more. Steps and weights are common practice, without a source.
_ENTRIES = (
    Criterion(
        name="tuning_offset",
        unit="cents",
        better="target",
        reads=("cents",),
        day_kind="whole",
        just_noticeable=5,
        planning_sd=(6.0, 1.6, 1.9),
        good="in tune as a whole",
        bad="out of tune as a whole",
        glossary="How sharp or flat the whole instrument is.",
        meaning="median over the notes of the deviation from equal temperament at the session's tuning: what pulling"
        " out or pushing in can mend",
        source=_JND_PITCH,
        missing=_TOO_FEW,
        weights={"section_player": 5},
        gates={"min": "Whole instrument no flatter than"},
        final_gates=("min",),
    ),
    Criterion(
        name="intonation_spread",
        unit="cents",
        better="lower",
        reads=("cents",),
        day_kind="between_notes",
        just_noticeable=3,
        planning_sd=(1.7, 0.1, 0.6),
        good="its notes in tune with each other",
        bad="its notes out of tune with each other",
        glossary="How far the notes are out of tune with each other.",
        meaning=f"standard deviation over the notes of the deviation from equal temperament; {_SCATTER}",
        source="Just-noticeable difference: common practice, no source",
        missing=_TOO_FEW,
        weights={"beginner": 25, "section_player": 30, "soloist": 20, "workshop_lot": 20},
    ),
    Criterion(
        name="worst_note_cents",
        unit="cents",
        better="lower",
        reads=("cents",),
        day_kind="between_notes",
        just_noticeable=5,
        planning_sd=(4.2, 0.5, 2.2),
        good="no note far out of tune",
        bad="one note far out of tune",
        glossary="How far the worst note is out of tune with the others.",
        meaning="largest distance of any note, in the mean of its takes, from the instrument's own median deviation;"
        " grows a little with the player's scatter",
        source=_JND_PITCH,
        missing=_TOO_FEW,
        measure="cents",
        weights={"beginner": 15, "section_player": 10, "soloist": 5, "workshop_lot": 25},
        gates={"max": "Worst note within"},
    ),
    Criterion(
        name="register_width",
        unit="cents",
        better="target",
        reads=("cents",),
        day_kind="between_notes",
        just_noticeable=5,
        planning_sd=(5.0, 0.5, 1.4),
        good="its registers in tune with each other",
        bad="its registers out of tune with each other",
        glossary="How much too wide or too narrow the octaves or twelfths between the registers are.",
        meaning="mean over pairs of notes fingered alike of the interval's width less its nominal width (octave 1200,"
        " twelfth 1900 cents); above zero: too wide",
        source=_JND_PITCH,
        missing="fewer than 3 pairs of notes fingered alike",
        weights={"beginner": 5, "section_player": 10, "soloist": 10, "workshop_lot": 10},
    ),
    Criterion(
        name="timbre_evenness",
        unit="dB",
        better="lower",
        reads=("brightness_db",),
        chain_dependent=True,
        additive=False,  # without the set-up already; a root mean square of small distances takes no more than that
        day_kind="between_notes",
        just_noticeable=1,
        planning_sd=(0.4, 0.1, 0.2),
        good="even in tone from note to note",
        bad="uneven in tone from note to note",
        glossary="How much single notes are richer or poorer in treble than their neighbours.",
        meaning="root mean square over the notes of each note's distance in treble (brightness_db, set-up removed)"
        f" from {_SMOOTH}; notes veiled by design left out; {_SCATTER}, and without the room's part, where linked"
        " sessions do",
        source="Local straight line: Cleveland 1979, J. Am. Stat. Assoc. 74, 829; just-noticeable difference: 1 dB as"
        " for level, no source for treble",
        missing=_TOO_FEW,
        measure="brightness",
        smoothed=True,
        weights={"beginner": 10, "section_player": 15, "soloist": 15, "workshop_lot": 15},
    ),
    Criterion(
        name="level_evenness",
        unit="dB",
        better="lower",
        reads=("level_dbfs",),
        chain_dependent=True,
        additive=False,  # as for timbre_evenness
        day_kind="between_notes",
        just_noticeable=1,
        planning_sd=(0.4, 0.1, 0.4),
        good="even in loudness from note to note",
        bad="uneven in loudness from note to note",
        glossary="How much single notes are louder or softer than their neighbours.",
        meaning="root mean square over the notes of each note's distance in level (set-up removed) from"
        f" {_SMOOTH}; {_SCATTER}, and without the room's part, where linked sessions do",
        source="Local straight line: Cleveland 1979, J. Am. Stat. Assoc. 74, 829; just-noticeable difference: 0.5 to"
        " 1.5 dB, Jesteadt, Wier & Green 1977, J. Acoust. Soc. Am. 61, 169, quoted from memory",
        missing=_TOO_FEW,
        measure="level",
        smoothed=True,
        weights={"beginner": 10, "section_player": 10, "soloist": 5, "workshop_lot": 10},
    ),
    Criterion(
        name="noise",
        unit="dB",
        better="lower",
        reads=("noise_high_db",),
        chain_dependent=True,
        day_kind="whole",
        step=1.0,
        planning_sd=(1.0, 2.6, 0.7),
        good="little air in the tone",
        bad="much air in the tone",
        glossary="How much air is heard in the tone.",
        meaning="median over the notes of noise_high_db (noise above 2 kHz between the harmonics, relative to them),"
        " without what the session (microphone) adds to all",
        source="Own definition",
        missing="the room's background or echo hides the air in most notes",
        weights={"beginner": 10, "soloist": 5},
    ),
    Criterion(
        name="response",
        unit="ms",
        better="lower",
        reads=("attack_ms",),
        chain_dependent=True,
        day_kind="whole",
        step=10.0,
        planning_sd=(5.3, 10.7, 7.8),
        good="quick to speak",
        bad="slow to speak",
        glossary="How long a tongued note takes to speak.",
        meaning="median over the notes of tongued takes of attack_ms, without what the session (the room's echo) adds"
        " to all",
        source="Own definition",
        missing="no tongued take with usable attacks",
        articulation="tongued",
        weights={"beginner": 25, "section_player": 15, "soloist": 15, "workshop_lot": 20},
    ),
    Criterion(
        name="dynamic_range",
        unit="dB",
        better="higher",
        kind="dynamics",
        reads=("level_dbfs",),
        day_kind="whole",
        just_noticeable=1,
        planning_sd=(0.7, 0.8, 1.9),
        good="a wide range from soft to loud",
        bad="a narrow range from soft to loud",
        glossary="How far apart the softest and the loudest playing are.",
        meaning="median over the notes of the level difference between the loudest and the softest dynamic of the"
        " study",
        source=_DYNAMICS,
        missing=_TWO_DYNAMICS,
        weights={"soloist": 10},
    ),
    Criterion(
        name="dynamic_drift",
        unit="cents",
        better="target",
        kind="dynamics",
        reads=("cents", "level_dbfs"),
        day_kind="whole",
        step=5.0,
        planning_sd=(1.8, 0.2, 0.7),
        good="steady in pitch from soft to loud",
        bad="unsteady in pitch from soft to loud",
        glossary="How much sharper or flatter it gets from soft to loud.",
        meaning="median pitch change from the softest to the loudest dynamic, per 10 dB of level; above zero: sharper"
        " when louder",
        source=_DYNAMICS,
        missing=f"{_TWO_DYNAMICS}, at least {LEVEL_STEP_DB:g} dB apart",
        weights={"section_player": 5, "soloist": 5},
    ),
    Criterion(
        name="tone_hold",
        unit="dB",
        better="lower",
        kind="dynamics",
        reads=("brightness_db", "level_dbfs"),
        day_kind="whole",
        step=1.0,
        planning_sd=(0.4, 0.2, 0.3),
        good="full in tone when soft",
        bad="dull in tone when soft",
        glossary="How much of its tone is lost in soft playing.",
        meaning="treble (level above 2 kHz relative to the whole level) lost from the loudest to the softest"
        " dynamic, per 10 dB of level",
        source=_DYNAMICS,
        missing=f"{_TWO_DYNAMICS}, at least {LEVEL_STEP_DB:g} dB apart",
        weights={"soloist": 10},
    ),
    Criterion(
        name="brightness",
        unit="dB",
        better="taste",
        reads=("tilt_db_per_octave",),
        chain_dependent=True,
        day_kind="whole",
        just_noticeable=0.4,
        planning_sd=(0.6, 0.1, 0.2),
        worded="dB per octave",
        good="brighter",
        bad="darker",
        glossary="How bright or dark the tone is at the same pitch and loudness, in dB per octave.",
        meaning="median over the notes of the slope, in dB per octave of harmonic number, of the harmonics' levels"
        f" against those of the same note {_MIDDLE}; above zero: brighter{_MATCHED}",
        source="Spectral slope: Almeida et al. 2017, Atten. Percept. Psychophys. 79 (s13414-017-1394-6), who varied"
        " brightness by it; just-noticeable difference: 4 to 5 % of the centroid, Allen & Oxenham 2014, J. Acoust. Soc."
        " Am. 135, 1371, quoted from memory, which for 16 harmonics that fall by 6 to 12 dB per octave is 0.3 to 0.4 dB"
        " per octave",
        missing=_NO_USUAL,
        matched="tilt",
    ),
    Criterion(
        name="odd_even_ratio",
        unit="dB",
        better="taste",
        reads=("odd_even_db",),
        chain_dependent=True,
        day_kind="whole",
        step=1.0,
        planning_sd=(0.4, 0.3, 0.3),
        good="more hollow",
        bad="less hollow",
        glossary="How hollow the tone is at the same pitch and loudness: odd harmonics against even ones.",
        meaning=f"median over the notes of odd_even_db less that of the same note {_MIDDLE}; above zero: more hollow"
        f"{_MATCHED}",
        source="Peeters et al. 2011, J. Acoust. Soc. Am. 130, 2902; clarinettists vary it: Barthet et al."
        " 2010, Music Percept. 28, 135, abstract read; listeners use the fine structure of the spectrum, its flux less:"
        " Caclin et al. 2005, J. Acoust. Soc. Am. 118, 471, abstract read; no just-noticeable difference known to us",
        missing=_NO_USUAL,
        matched="odd_even",
    ),
    Criterion(
        name="fundamental_strength",
        unit="dB",
        better="taste",
        reads=("fundamental_db",),
        chain_dependent=True,
        day_kind="whole",
        just_noticeable=3.2,
        planning_sd=(1.2, 0.1, 0.4),
        good="stronger in the fundamental",
        bad="weaker in the fundamental",
        glossary="How strong the fundamental is against the overtones at the same pitch and loudness.",
        meaning=f"median over the notes of fundamental_db less that of the same note {_MIDDLE}; above zero: stronger"
        f"{_MATCHED}",
        source="Tristimulus: Pollard & Jansson 1982, Acustica 51, 162; just-noticeable difference: 3.2 dB of the first"
        " harmonic over the second in vowels, Kreiman & Gerratt 2010, J. Acoust. Soc. Am. 128, 2085, abstract read;"
        " none known to us for instruments",
        missing=_NO_USUAL,
        matched="fundamental",
    ),
    Criterion(
        name="total_cost",
        unit="currency",
        better="lower",
        kind="cost",
        reads=(),
        additive=False,
        day_kind="",
        just_noticeable=0,  # any cost is noticed
        step=0.05,
        planning_sd=None,
        good="cheap",
        bad="dear",
        glossary="What it costs until it can be played.",
        meaning="price, set-up by a technician, case, and the repairs found by inspection; a blank set-up or case cost"
        " counts as none",
        source="Own definition",
        missing="no price in the instruments sheet",
        gates={"max": "Budget: total cost at most"},
    ),
)

CRITERIA: dict[str, Criterion] = {criterion.name: criterion for criterion in _ENTRIES}
MEASURED = tuple(criterion for criterion in CRITERIA.values() if criterion.kind != "cost")
"""Those that recordings tell."""
EXACT = frozenset(criterion.name for criterion in CRITERIA.values() if criterion.kind == "cost")
ADDITIVE = frozenset(criterion.name for criterion in CRITERIA.values() if criterion.additive)

GATES = {
    f"{c.name}_{bound}": MustPass(words, c.name, c.unit, bound, bound in c.final_gates)
    for c in CRITERIA.values()
    for bound, words in c.gates.items()
} | {"fault_severity_max": MustPass("No fault worse than severity", "fault_severity", "", "max", True)}
"""Every must-pass by its key in the config; those of a cost are the page's own (a budget)."""
