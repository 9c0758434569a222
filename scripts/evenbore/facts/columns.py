"""Every column of every results table: name, unit, type, meaning, source.

The single source for table headers, `columns.tsv` and the documentation.

Conventions: levels are in dB, frequencies in Hz, times in seconds unless the name says otherwise;
cents are 1200 log2(f / f_reference); an empty cell means "not measurable", never zero.
"""

from typing import NamedTuple

from evenbore.facts.days import DAY_UNIT, DAY_WORDS
from evenbore.facts.findings import FINDINGS
from evenbore.facts.flags import FLAGS
from evenbore.facts.measures import MEASURES
from evenbore.facts.passages import PASSAGE_CRITERIA
from evenbore.facts.verdicts import DECISIONS


class Column(NamedTuple):
    """One column of a results table; `dtype` is one of str, int, float."""

    name: str
    unit: str
    dtype: str
    meaning: str
    source: str = ""


_FLAGS = [f"{flag.word} ({flag.sentence})" for flag in FLAGS.values()]
_PASSAGE = [f"{one.name} ({one.meaning})" for one in PASSAGE_CRITERIA]
_REML = "REML: Patterson & Thompson 1971, Biometrika 58, 545"
_SMAA = "Lahdelma & Salminen 2001, Operations Research 49, 444"

_RECORDING = Column("recording", "", "str", "id of the recording, from the sheet")
_INSTRUMENT = Column("instrument", "", "str", "id of the instrument, from the sheet")
_SESSION = Column("session", "", "str", "id of the recording session (one set-up), from the sheet")
_TAKE = Column("take", "", "int", "number of the repeat take")
_DYNAMIC = Column("dynamic", "", "str", "dynamic asked of the player: pp p mp mf f ff")
_ARTICULATION = Column("articulation", "", "str", "slurred or tongued")
_DIRECTION = Column("direction", "", "str", "direction of the scale: up, down or up-down")
_STATE = Column("state", "", "str", "state of the instrument when recorded, from the config's `states`")
_STEP = Column("step", "", "int", "0-based index of the note in the expected scale")
_GROUP = Column("group", "", "int", "comparability group: sessions joined by shared instruments")
_WRITTEN = Column("written_note", "", "str", "written note, scientific pitch notation", "ISO 16 (A4 = 440 Hz)")
_MIDI = Column("midi", "", "int", "sounding equal-tempered note number (A4 = 69)")
_CRITERION = Column("criterion", "", "str", "name of the criterion, see criteria.tsv")
_UNIT = Column("unit", "", "str", "unit of the values in this row")
_LOW = Column("low", "see unit", "float", "lower end of the 90 % interval")
_HIGH = Column("high", "see unit", "float", "upper end of the 90 % interval")
_REASON = Column("reason", "", "str", "why a value is missing or to be read with care")
_PRIORITIES = Column("priorities", "", "str", "named set of weights from the config")
_N_TAKES = Column("n_takes", "", "int", "number of takes behind the value")
_BAND = Column("band_hz", "Hz", "float", "exact mid-band frequency of the one-third octave", "IEC 61260-1:2014")

_TAKE_KEYS = (_RECORDING, _INSTRUMENT, _SESSION, _TAKE, _DYNAMIC, _ARTICULATION, _DIRECTION, _STATE)

_NOTE = (
    Column("onset_s", "s", "float",
           "where the note's own harmonics reach 20 dB below its steady level, or half-way through the slur"),
    Column("offset_s", "s", "float",
           "where the note's own harmonics fall 20 dB below its steady level, or half-way through the slur"),
    Column("confidence", "", "float", "probability that this is the expected note"),
    *(Column(m.name, m.unit, "float", m.definition, m.source) for m in MEASURES),
    Column("flags", "", "str", f"space-separated words on what to read with care: {'; '.join(_FLAGS)}"),
)  # fmt: skip

TABLES: dict[str, tuple[Column, ...]] = {
    "recordings": (
        *_TAKE_KEYS,
        Column("status", "", "str", "ok, warned or set_aside"),
        Column("reason", "", "str", "plain words: why the recording was warned about or set aside"),
        Column("duration_s", "s", "float", "duration of the take: of its part of the file"),
        Column("sample_rate_hz", "Hz", "int", "sample rate of the audio file"),
        Column("snr_db", "dB", "float", "median over notes of the note's signal-to-noise ratio"),
        Column("clipped_fraction", "", "float", "share of samples in runs of three or more at full scale"),
        Column("notes_expected", "", "int", "number of notes that the sheet says were played"),
        Column("notes_found", "", "int", "number of expected notes that were found"),
        Column("lowest_found", "", "str", "lowest of the expected notes that was found, written"),
        Column("highest_found", "", "str", "highest of the expected notes that was found, written"),
        Column("chunk", "", "str", "work chunk that the recording was measured in"),
        Column("reverb_s", "s", "float", "reverberation time (60 dB); from one decay, right within a factor of two"),
        Column("hum_db", "dB", "float", "mains hum (50 or 60 Hz and harmonics) over the noise beside it; 0: none"),
        Column("lufs", "LUFS", "float", "integrated programme loudness", "ITU-R BS.1770-4"),
        Column("offset_cents", "cents", "float", "median deviation of the take's notes from equal temperament"),
        Column("channel", "", "int", "1-based channel of the file that was measured"),
        Column("start_s", "s", "float", "where in the file the take begins; empty: at its start"),
        Column("end_s", "s", "float", "where in the file the take ends; empty: at its end"),
    ),
    "notes": (*_TAKE_KEYS, _STEP, _WRITTEN, _MIDI, *_NOTE),
    "passage_notes": (
        *_TAKE_KEYS,
        Column("passage", "", "str", "name of the phrase, from the sheet: takes with one name are the same phrase"),
        Column("place", "", "int", "0-based place in the aligned phrase; empty: no note of the phrase"),
        _WRITTEN, _MIDI, *_NOTE,
    ),
    "harmonics": (
        _RECORDING, _STEP,
        Column("harmonic", "", "int", "harmonic number, 1 is the fundamental"),
        Column("frequency_hz", "Hz", "float", "harmonic number times f0_hz"),
        Column("level_db", "dB re full scale", "float", "level of the harmonic over the steady part"),
        Column("above_noise_db", "dB", "float", "level over the noise around the harmonic"),
    ),
    "bands": (
        _RECORDING, _STEP, _BAND,
        Column("level_db", "dB re full scale", "float", "level of the note in the band, harmonics and noise"),
        Column("above_noise_db", "dB", "float", "level over the background noise in the band"),
    ),
    "band_profiles": (
        _INSTRUMENT, _STATE, _DYNAMIC,
        Column("session", "", "str", "that session alone, normalised; empty: all sessions"),
        _BAND,
        Column("level_db", "dB", "float", "normalised level, centred over the row set"),
        Column("se_db", "dB", "float", "standard error, set-up estimate included"),
        _GROUP,
    ),
    "setups": (
        _GROUP, _SESSION, _BAND,
        Column("response_db", "dB", "float", "estimated response of the session's room, microphone and gain"),
        Column("response_se_db", "dB", "float", "its standard error"),
    ),
    "comparability": (
        _SESSION, _INSTRUMENT, _GROUP,
        Column("links", "", "int", "number of other sessions that this instrument joins this one to"),
        Column("link_se_db", "dB", "float", "standard error of the session's link to its group"),
        Column("one_more_se_db", "dB", "float", "the same after one more take of the instrument that would help most"),
        Column("advice", "", "str", "what to record to link the session, or to link it better"),
        Column("odd_response", "", "str", "what is odd about the session's set-up beside its group's mean, in words"),
        Column("inseparable", "", "str",
               "player, mouthpiece or reed that changed along with the instrument, so that they cannot be told apart"),
        Column("unlike", "", "str",
               "other sessions, separated by spaces, from which the instrument's notes here lie as another one's do"),
    ),
    "note_profiles": (
        _INSTRUMENT, _STATE, _DYNAMIC, _MIDI, _WRITTEN,
        Column("register", "", "str", "register of the written note, from the family file"),
        Column("measure", "", "str",
               "name of the measure, a column of notes.tsv; brightness_matched_db: brightness_db at a common loudness"),
        Column("value", "see measure", "float", "mean over takes after set-up normalisation"),
        Column("se", "see measure", "float", "standard error, set-up estimate included"),
        _LOW, _HIGH, _N_TAKES, _GROUP,
    ),
    "harmonic_profiles": (
        _INSTRUMENT, _STATE, _DYNAMIC, _MIDI, _WRITTEN,
        Column("harmonic", "", "int", "harmonic number, 1 is the fundamental"),
        Column("level_db", "dB", "float", "mean over takes, relative to all harmonics of the note together"),
        Column("se_db", "dB", "float", "standard error, set-up estimate and room included"),
        _N_TAKES, _GROUP,
    ),
    "criteria": (
        _CRITERION, _UNIT,
        Column("better", "", "str", "lower, higher, target (nearest to zero) or taste (neither)"),
        Column("chain_dependent", "", "str", "yes: not compared between set-ups that nothing links"),
        Column("just_noticeable", "see unit", "float", "smallest difference that listeners usually notice"),
        Column("meaning", "", "str", "definition in words"),
        Column("source", "", "str", "source of the definition and of the just-noticeable difference"),
    ),
    "instruments": (
        _INSTRUMENT, _STATE, _CRITERION,
        Column("value", "see unit", "float", "value of the criterion"),
        _LOW, _HIGH, _UNIT, _N_TAKES, _GROUP, _REASON,
    ),
    "pairs": (
        Column("instrument_a", "", "str", "first instrument"),
        Column("instrument_b", "", "str", "second instrument"),
        _CRITERION, _GROUP,
        Column("difference", "see unit", "float", "value of a minus value of b"),
        _LOW, _HIGH,
        Column("p", "", "float", "two-sided p-value of no difference"),
        Column("p_adjusted", "", "float",
               "p adjusted over the study's pairs of that criterion, and for the criteria of which nothing is found",
               "Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289; Benjamini & Bogomolov 2014, 76, 297"),
        _UNIT,
        Column("just_noticeable", "see unit", "float", "smallest difference that listeners usually notice"),
        Column("verdict", "", "str", "not_comparable, no_audible_difference, differs or undecided"),
        Column("takes_needed", "", "int", "takes of each instrument that would probably decide"),
        _REASON,
    ),
    "ranking": (
        _PRIORITIES, _GROUP, _STATE, _INSTRUMENT,
        Column("gate", "", "str", "pass, or the must-pass that failed"),
        Column("rank_median", "", "float", "median rank over the draws", _SMAA),
        Column("rank_low", "", "float", "5 % point of the rank", _SMAA),
        Column("rank_high", "", "float", "95 % point of the rank", _SMAA),
        Column("p_first", "", "float", "probability of being first", _SMAA),
        Column("utility", "just-noticeable steps", "float", "mean weighted utility over the draws"),
        Column("given_up", "just-noticeable steps", "float",
               "mean utility lost by taking it instead of the best, which nobody knows; of those that pass"),
    ),
    "own_days": (
        Column("kind", "", "str", "what days change: " + ", ".join(f"{k} ({words})" for k, words in DAY_WORDS.items())),
        Column("assumed", DAY_UNIT, "float", "scale of what was assumed beforehand, from the config"),
        Column("median", DAY_UNIT, "float", "how much an instrument's own days scatter, in a take's scatter", _REML),
        Column("low", DAY_UNIT, "float", "lower end of its 90 % interval"),
        Column("high", DAY_UNIT, "float", "upper end of its 90 % interval"),
        Column("witnesses", "", "float", "degrees of freedom that told of it; 0: only assumed"),
        Column("differ", "", "int", "pairs and criteria that differ, by these days"),
        Column("differ_half", "", "int", "as many if days scattered half as much"),
        Column("differ_twice", "", "int", "as many if days scattered twice as much"),
    ),
    "next": (
        Column("kind", "", "str", "what to record: undecided, once_more, all_once_more, further_link or another_day"),
        Column("instruments", "", "str", "the instruments to record, with blanks between"),
        Column("session", "", "str", "the session to record them in, the last one; empty: a new one"),
        Column("takes", "", "int", "takes in all"),
        Column("minutes", "min", "float", "what that takes, about"),
        Column("decided_now", "", "int", "pairs and criteria that are decided now"),
        Column("decided_after", "", "float", "as many after the step, as may be expected"),
        Column("per_minute", "1/min", "float", "pairs and criteria that become decided, for each minute"),
        Column("criterion", "", "str", "the criterion that gains most"),
        Column("what", "", "str", "what to do, in a musician's words"),
        Column("advice", "", "str", "the same with what comes of it"),
    ),
    "rank_probabilities": (
        _PRIORITIES, _GROUP, _INSTRUMENT,
        Column("rank", "", "int", "rank, 1 is best"),
        Column("probability", "", "float", "probability of that rank", _SMAA),
    ),
    "sensitivity": (
        _PRIORITIES, _INSTRUMENT, _CRITERION,
        Column("weight_change", "", "float", "change of the criterion's weight"),
        Column("p_first", "", "float", "probability of being first with that weight", _SMAA),
    ),
    "value": (
        _INSTRUMENT,
        Column("total_cost", "currency of the study", "float", "price, set-up, case and inspection repairs"),
        Column("quality", "just-noticeable steps", "float", "mean weighted utility without cost"),
        _LOW, _HIGH,
        Column("on_front", "", "str", "yes: nothing else is both better and cheaper; blank: cost or quality not known"),
        Column("next_up", "", "str", "the next better and dearer instrument on the front"),
        Column("next_cost", "currency of the study", "float", "how much more the next one up costs"),
        Column("next_gain", "just-noticeable steps", "float", "how much better the next one up is, median"),
        Column("next_better", "", "float", "probability that the next one up is better at all"),
    ),
    "clusters": (
        _INSTRUMENT,
        Column("cluster", "", "int", "cluster number; empty: no cluster structure"),
        Column("stability", "", "float", "share of bootstrap draws that confirm the cluster"),
        Column("pc1", "", "float", "first principal component of the normalised profile"),
        Column("pc2", "", "float", "second principal component of the normalised profile"),
    ),
    "passages": (
        _INSTRUMENT, _STATE,
        Column("passage", "", "str", "name of the phrase, from the sheet"),
        Column("criterion", "", "str", f"what the phrase tells: {'; '.join(_PASSAGE)}"),
        Column("value", "see unit", "float", "what it came to in this phrase"),
        _LOW, _HIGH, _UNIT, _N_TAKES,
        Column("against_scale", "see unit", "float", "the same of the notes of the phrase as the scale has them"),
        _REASON,
    ),
    "tuning_advice": (
        _INSTRUMENT, _STATE,
        Column("tune_on_note", "", "str", "written note to tune on"),
        Column("aim_cents", "cents", "float",
               "how far from true to aim with that note: its own deviation from the instrument's median"),
        Column("overall_offset_cents", "cents", "float", "median deviation of the whole instrument"),
        Column("temperature_cents", "cents", "float",
               "the most that the room's temperature (sessions sheet) can have raised the pitch over a room of 20 °C: "
               "1200 log2(c(T) / c(20)), if the air in the bore were as warm as the room; told, never applied",
               "Speed of sound in dry air as an ideal gas, 331.3 √(1 + T / 273.15) m/s"),
        Column("advice", "", "str", "the same in the player's words"),
    ),
    "findings": (
        _INSTRUMENT, _STATE,
        Column("kind", "", "str", f"what was found: {', '.join(FINDINGS)}"),
        Column("first_note", "", "str", "lowest written note concerned"),
        Column("last_note", "", "str", "highest written note concerned"),
        Column("n_notes", "", "int", "number of notes concerned"),
        Column("size", "see unit", "float",
               "size of the effect; dB: of the harmonics around 2 kHz against the other instruments"),
        _UNIT,
        Column("confidence", "", "float", "probability that the finding is real"),
        Column("region", "", "str", "where on the instrument a technician might look first"),
        Column("region_low_note", "", "str", "written note whose first open hole is the lowest suspected one"),
        Column("region_high_note", "", "str", "written note whose first open hole is the highest suspected one"),
        Column("explanation", "", "str", "what was measured and what else could explain it"),
        Column("n_seen", "", "int", "how many takes show it by themselves, half as large at least; empty: not counted"),
        Column("n_takes", "", "int", "number of takes that tell of it; one of several that shows it is no fault yet"),
        Column("scope", "", "str", "unit, or design: most units of the model share it, so it is held against none"),
        Column("by_note", "", "str", "of a pattern: each written note, dB around 2 kHz found and expected, both against"
               " the others and the rest of the scale; ?: not measured; the height of what is expected is fitted"),
        Column("if_tried", "", "str", "missing notes on which all rests: holds if they were tried and did not speak,"
               " and nothing was found if they were left out; empty: rests on none"),
    ),
    "variance": (
        _CRITERION,
        Column("component", "", "str", "instrument, session, player, take, or note (scatter of single notes)"),
        Column("sd", "see unit", "float", "standard deviation of the component", "REML: Patterson & Thompson 1971"),
        Column("share", "", "float", "its share of the variance of one take's value"),
        Column("low", "see unit", "float", "lower end of the 90 % interval of sd (approximate)"),
        Column("high", "see unit", "float", "upper end of the 90 % interval of sd (approximate)"),
        _UNIT,
        Column("n", "", "int", "number of instruments, sessions, players or takes behind it"),
        _REASON,
    ),
    "factors": (
        Column("factor", "", "str", "column of the instruments sheet that was tested"),
        Column("family", "", "str", "kind of instrument"),
        _CRITERION,
        Column("contrast", "", "str", "the two levels compared: first minus second; of a number: highest minus lowest"),
        Column("estimate", "see unit", "float", "difference between the two, instruments as the unit"),
        _LOW, _HIGH,
        Column("p", "", "float", "two-sided p-value of no difference, instruments as the unit"),
        Column("p_adjusted", "", "float", "p adjusted over all rows of the factor and family",
               "Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289"),
        Column("p_permutation", "", "float", "p of exchanging the instruments of the same sessions and players",
               "Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9, 39"),
        Column("n_instruments", "", "int", "number of instruments in the contrast"),
        Column("smallest_detectable", "see unit", "float",
               "smallest true difference that this study would find with 80 % probability, p adjusted as here"),
        Column("equivalent", "", "str", "yes: the 90 % interval lies within the just-noticeable difference",
               "Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657"),
        Column("just_noticeable", "see unit", "float", "smallest difference that listeners usually notice"),
        _UNIT,
        Column("verdict", "", "str", "differs, no_audible_difference, undecided or not_comparable, as for pairs"),
        Column("se", "see unit", "float", "standard error of the estimate"),
        Column("df", "", "float", "its degrees of freedom", "Satterthwaite 1946, Biometrics Bull. 2, 110"),
        Column("method", "", "str", "instrument means (exact where balanced) or mixed model (REML)"),
        _REASON,
    ),
    "tone_factors": (
        Column("factor", "", "str", "column of the instruments sheet that was tested"),
        Column("family", "", "str", "kind of instrument"),
        Column("contrast", "", "str", "the two levels compared: first minus second; of a number: highest minus lowest"),
        Column("harmonic", "", "int", "number of the harmonic, 1 the fundamental"),
        Column("estimate", "dB", "float", "difference of its level at equal pitch and loudness, each instrument's curve"
               " from its own mean over the harmonics, instruments as the unit"),
        Column("low", "dB", "float", "lower end of the band that holds all harmonics at once, 90 %"),
        Column("high", "dB", "float", "upper end of the band that holds all harmonics at once, 90 %"),
        Column("p", "", "float", "p of the whole curve: exchanging the curves of instruments of the same sessions and"
               " players"),
        Column("p_adjusted", "", "float", "p adjusted over the contrasts of the factor and family",
               "Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289"),
        Column("n_instruments", "", "int", "number of instruments in the contrast"),
        Column("most_db", "dB", "float", "no harmonic differs by more than this, by the band"),
        _UNIT, _REASON,
    ),
    "status": (
        _INSTRUMENT, _STATE,
        Column("family", "", "str", "key of its family: instruments of different families are never compared"),
        Column("current", "", "str", "yes: the state that is compared; no: what was before, or is not compared"),
        Column("decision", "", "str", f"{', '.join(DECISIONS)} (the recordings cannot decide)"),
        Column("must_pass", "", "str", "pass, or the must-passes that failed or could not be checked"),
        Column("good", "", "str", "what is good about it, clauses separated by semicolons"),
        Column("against", "", "str", "what surely speaks against it, clauses separated by semicolons"),
        Column("open", "", "str", "what the recordings leave open and what would tell, separated by semicolons"),
        Column("total_cost", "currency of the study", "float", "price, set-up, case and inspection repairs"),
        Column("p_first", "", "float",
               "probability of being first by the config's first priorities; empty: not ranked, or alone"),
        Column("character", "", "str", "what sets it apart and is a matter of taste, clauses separated by semicolons"),
        Column("sentence", "", "str", "all of it in one sentence"),
    ),
    "vetting": (
        _INSTRUMENT, _STATE,
        Column("decision", "", "str", f"{', '.join(DECISIONS)} (the recordings cannot decide)"),
        Column("reasons", "", "str", "why, in words"),
        _N_TAKES,
        Column("listen", "", "str", "where the notes of the reasons sound: note, recording, time from its start"),
        Column("shipment", "", "str", "shipment from the sheet"),
    ),
    "changes": (
        _INSTRUMENT,
        Column("state_from", "", "str", "the earlier state"),
        Column("state_to", "", "str", "the state after it"),
        Column("criterion", "", "str", "a criterion of the whole instrument (see criteria.tsv) or a measure of a note"),
        Column("note", "", "str", "written note; empty: the whole instrument"),
        Column(
            "change", "unit of the criterion", "float", "later less earlier value; notes from the instrument's middle"
        ),
        Column("low", "unit of the criterion", "float", "lower end of the 90 % interval"),
        Column("high", "unit of the criterion", "float", "upper end of the 90 % interval"),
        Column("verdict", "", "str", "differs, no_audible_difference, undecided or not_comparable, as for pairs"),
        Column("within_tolerance", "", "str", "yes or no: the note's pitch after, against the tolerance"),
    ),
}  # fmt: skip


def names(table: str) -> list[str]:
    """Column names of a results table, in order."""
    return [column.name for column in TABLES[table]]
