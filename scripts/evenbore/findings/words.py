"""The plain words of findings. Notes are written; what technicians commonly do is common practice, no source."""

from evenbore.facts.arrays import Ints, runs_of
from evenbore.findings.cracking import Cracking
from evenbore.findings.intonation import OutOfTune
from evenbore.findings.noise import Noisy
from evenbore.findings.rows import TOLD
from evenbore.judge.faroff import FarOff
from evenbore.trade.families import Family
from evenbore.trade.pitch import midi_to_note

POINTER = (
    "A pointer for a qualified technician, never a diagnosis; work on it may touch the warranty or the right of"
    " return: ask before anything is adjusted."
)
LEAK_ELSE = (
    "What else fits: two leaks at once, a key out of regulation or a bent bridge or linkage, an upper tenon or"
    " vent that does not seal, a finger not covering, a tired reed or softer blowing on these notes. The shape of"
    " the pattern comes from a model of a tube, not from measurements of leaking instruments."
)
RUN_ELSE = (
    "No single hole explains it well enough to name a place. What fits: a leak, keys out of regulation, a bent"
    " bridge or linkage, the player's reed or blowing on these notes."
)
STEP_ELSE = (
    "A sharp step of equal size in both registers fits regulation best (a key held partly open or shut, a bent"
    " bridge or linkage, a pad standing too low). A leak would mostly grow towards the lower notes."
)
FINGERING_ELSE = (
    "The same fingering in both registers with clean neighbours points to a key that opens too little, to its"
    " linkage or to dirt in the hole more than to a leak."
)
NOTE_ELSE = (
    "A single note is no sign of a leak. What fits: a pad that stands too low or a dirty hole, key regulation, a"
    " finger not covering, the room at this note (re-record in another place), the player."
)
VENT_ELSE = (
    "What fits: the vent opens too little, late or not at all, is dirty, or its mechanism is out of adjustment; a"
    " reed, mouthpiece or player that is weak in this register."
)
LOWER_ELSE = (
    "What fits: a register or octave vent that does not close fully, a leaking pad at the top of the tube (palm,"
    " side or throat keys), or a reed or player that is weak in this register."
)
ALL_ELSE = (
    "With no pattern over the notes this is as likely the reed, the mouthpiece, softer blowing, the microphone's"
    " place or the instrument's own dark tone as a leak near the top (neck, head joint, tenon, top pads)."
)
SESSION = (
    "All instruments of the session share it, so it is blamed on none: the room at this note, the microphone's"
    " place, the reed or the player of that day."
)
CRACK_ELSE = (
    "What fits: a register or octave vent that opens late or sticks, a leak near the top of the tube, water in a hole,"
    " a slow or wrong key, a reed or mouthpiece that does not suit, the player on these notes."
)
NOISE_ELSE = (
    "What fits: the reed or mouthpiece, a leak that is not at one place, rough edges or worn pads, the player's"
    " embouchure, a microphone nearer to the air."
)
FAR_ELSE = (
    "What fits: a key that does not open or close, a pad gone or stuck, another fingering, a note that the sheet"
    " expects and the player leaves out: play it and listen before anything else."
)


def span(first: int, last: int) -> str:
    """'D4' or 'D4 to A4'."""
    return midi_to_note(first) if first == last else f"{midi_to_note(first)} to {midi_to_note(last)}"


def hole_region(family: Family, low: int, high: int) -> str:
    """The holes that first open for notes `low` to `high`, with hand and joint."""
    holes = [hole for hole in family.holes if low <= hole.first_open_for <= high]
    names = [f"{hole.name} ({hole.hand} hand, {hole.joint})" for hole in holes]
    near = list(dict.fromkeys(hole.near for hole in holes if hole.near))
    text = f"at {names[0]}" if len(names) == 1 else f"from {names[0]} down to {names[-1]}"
    if near:
        text += f"; near it: {', '.join(near)}"
    return text + ("; the order of this family's holes is coarse" if family.holes_coarse else "")


def compared(peers: int, takes: int, dynamics: list[str]) -> str:
    """What the comparison rests on."""
    few = " One take only: take it again before acting on it." if takes == 1 else ""
    return (
        f"Compared with the same notes of {peers} other instruments at {', '.join(dynamics)}, {takes}"
        f" take{'s' if takes > 1 else ''}.{few}"
    )


def only_once(takes: int) -> str:
    """What a finding is worth that one of several takes shows."""
    return f"Only one of the {takes} takes shows it: a slip, perhaps; play these notes again before anything else."


def measured(contrasts: dict[str, float]) -> str:
    """Mean differences on the notes concerned, against the rest of the scale, in words; NaN ones left out."""
    text = {
        TOLD: ("harmonics around 2 kHz", "dB"),
        "level": ("level", "dB"),
        "noise": ("noise against tone", "dB"),
        "attack": ("start of tongued notes", "ms"),
        "cents": ("pitch", "cents"),
    }
    parts = [
        f"{label} {contrasts[name]:+.{0 if unit == 'ms' else 1}f} {unit}"
        for name, (label, unit) in text.items()
        if contrasts[name] == contrasts[name]
    ]
    return "Against the others, and the rest of the scale: " + (", ".join(parts) or "too few notes to measure") + "."


def spans(notes: Ints) -> str:
    """'D4 to F4, A4' of ascending notes (K,)."""
    return ", ".join(span(*run[[0, -1]]) for run in runs_of(notes))


def by_dynamic(notes: dict[str, Ints]) -> str:
    """'D4 to F4 at p, D4 at mf', of dynamic -> ascending notes."""
    return ", ".join(f"{spans(of)} at {dynamic}" for dynamic, of in notes.items() if of.size)


def missing(notes: str) -> str:
    """Of notes, as words, that none of its takes has; nothing of none."""
    return f" Missing in all of its takes: {notes}; were they tried?" if notes else ""


def if_tried(notes: str) -> str:
    """What comes before a finding that rests on notes, as words, that none of its takes has."""
    return (
        f"All of this rests on notes missing in all of its takes: {notes}. If they were tried and did not speak, it is"
        " as good as sure; if they were left out, nothing was found here."
    )


def odd(away: dict[str, float], labels: dict[str, str], others: int) -> str:
    """The explanation of an odd one out."""
    told = ", ".join(f"{labels[name]} {value:+.1f}" for name, value in away.items())
    return (
        f"Unlike the {others} others of its model, taken together: {told} robust standard deviations from their middle."
        " What fits: another batch or set-up, a fault that shows everywhere, the reed or mouthpiece, the player's day."
        f" {POINTER}"
    )


def explain_cracking(one: Cracking) -> str:
    """The explanation of notes that crack."""
    where, several = span(one.first, one.last), one.first != one.last
    most = f", most often {midi_to_note(one.worst)} ({one.worst_takes} of them)" if several else ""
    theirs = f"in {one.others} of {one.of_others} takes" if one.of_others else "in no take, for there is none"
    return (
        f"{where} begin{'' if several else 's'} on another note in {one.takes} of {one.of} takes{most}; on the other"
        f" instruments of this kind {'these do' if several else 'it does'} {theirs}. {CRACK_ELSE} {POINTER}"
    )


def explain_noisy(one: Noisy, peers: int, takes: int) -> str:
    """The explanation of air noise."""
    return (
        f"Against the {peers} other instruments, their sessions taken into account, its tone holds {one.db:.1f} dB more"
        f" air noise (90 % interval {one.low:.1f} to {one.high:.1f} dB; median over the notes of {takes}"
        f" take{'s' if takes > 1 else ''}). {NOISE_ELSE} {POINTER}"
    )


def explain_far_off(one: FarOff) -> str:
    """The explanation of a note far from its place."""
    beside = ", the notes beside it being there" if one.cents != one.cents else ", from the take's median"
    return f"{one.words()}{beside}. {FAR_ELSE} {POINTER}"


def explain_intonation(finding: OutOfTune, family: Family, tolerance: float, interval: str) -> str:
    """The explanation of an intonation finding."""
    side = "sharp" if finding.cents > 0 else "flat"
    where = span(finding.first, finding.last)
    if finding.what == "width":
        wide = "wide" if finding.cents > 0 else "narrow"
        text = f"{interval} up to {where} are {abs(finding.cents):.0f} cents too {wide} on average"
    elif finding.what == "note":
        text = f"{where} is {abs(finding.cents):.0f} cents {side} of the instrument's own offset"
    else:
        text = f"{where} are on average {abs(finding.cents):.0f} cents {side} of the instrument's own offset"
        text += f": all played notes of the {finding.name}" if finding.name else ""
    text += f" (tolerance {tolerance:g})."
    if finding.confidence != finding.confidence:
        text += " Nothing was repeated in this study, so its uncertainty is not known."
    if finding.design:
        text += f" {finding.design} share it: a trait of the design or of the player, held against none."
    elif finding.others:
        text += (
            f" {finding.alike} of {finding.others} other instruments of this kind lie the same way by at least half the"
            " tolerance" + ("; it may be the design or the player." if finding.alike * 2 >= finding.others else ".")
        )
    return f"{text} {_adjusting(finding, family)} {POINTER}"


def _adjusting(finding: OutOfTune, family: Family) -> str:
    if family.bore == "brass":
        return "Common practice: other fingering or slide, valve slides and water keys; the player's lip bends it."
    height = "lowered" if finding.cents > 0 else "raised"
    if finding.what == "width":
        return (
            f"Common practice: first the position of the {family.pull} and the mouthpiece; then the height of the"
            " register or octave vent, and its cleaning."
        )
    return (
        f"Common practice: the opening of the first open key is {height}, its hole and vent cleaned; the player's"
        " embouchure and alternative fingerings bend it too."
    )
