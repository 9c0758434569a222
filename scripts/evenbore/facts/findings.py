"""What may be found on an instrument: each kind of finding once, with its words and what follows from it."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One kind of finding.

    `words`: what was found, before ": F#4 to A4"; `by`: "tone" (against the other instruments), "pitch" (against the
    instrument's own offset), "takes" (how often it happens), "whole" (as one instrument of its model) or "session"
    (blamed on no instrument);
    `blocks`: a sure finding sends to the bench ("bench"), or wants another recording first ("retake"); `instead`: which
    recording would tell; `of`: what its size in dB is of; `flatters`: criteria that look better for it.
    """

    words: str
    by: str
    blocks: str = ""
    instead: str = ""
    of: str = "around 2 kHz"
    flatters: tuple[str, ...] = ()


# A dull stretch is dull evenly, and what leaks chokes softly: neither is a merit.
_DULL = ("timbre_evenness", "level_evenness", "dynamic_range")

FINDINGS = {
    "stuffy_run": Finding(words="a run of stuffy notes", by="tone", blocks="bench", flatters=_DULL),
    "stuffy_note": Finding(words="a stuffy note", by="tone", blocks="bench"),
    "regulation_step": Finding(
        words="a sharp step as of a key out of regulation", by="tone", blocks="bench", flatters=_DULL
    ),
    "vent_fault": Finding(words="notes of one vent dull together", by="tone", blocks="bench", flatters=_DULL),
    "all_dull": Finding(
        words="dull throughout",
        by="tone",
        blocks="retake",
        instead="record it again with another reed or set-up before the bench",
        flatters=_DULL,
    ),
    "intonation_outlier": Finding(words="out of tune", by="pitch", blocks="bench"),
    "register_shift": Finding(words="a register out of tune", by="pitch", blocks="bench"),
    "odd_one_out": Finding(
        words="unlike the others of its model",
        by="whole",
        blocks="retake",
        instead="record it again with another reed or set-up before the bench",
    ),
    "cracking": Finding(
        words="notes that crack", by="takes", blocks="bench", instead="record these notes again, in two takes or more"
    ),
    "noisy": Finding(
        words="more air noise than the others",
        by="takes",
        blocks="retake",
        instead="record it again with another reed or mouthpiece before the bench",
        of="of noise against tone",
    ),
    "note_far_off": Finding(words="a note far from its place", by="takes", blocks="bench"),
    "session_effect": Finding(words="an effect of the session", by="session"),
}
