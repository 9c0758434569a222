"""Fit the confidence of notes on development takes in which errors happen, and tell how it holds on sources left out.

    python tests/scenarios/fit_confidence.py [--each N] [--jobs N] [--stored] [--write]

Plays N takes of every kind of the development set, and three times as many of those in which a note may come out wrong:
played wrong, drowned in noise, or measured though the sheet is wrong (what would set such a take aside is switched
off). What the program tells of each note (`evenbore.notes.confidence.signs`) is held against whether note and pitch are
right (`score`). A glide over the range is left out: no confidence is asked to tell its notes, another test does.

What it heard is kept in build/scenarios/signs.npz; `--stored` fits that again, in seconds.

Prints the numbers for evenbore.notes.confidence, and how well a fit on all other sources states what happens on each.
`--write` renews that table in docs/accuracy.md.
"""

import argparse
import multiprocessing
import sys
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import REPO, one_thread, renew

one_thread()

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import LeaveOneGroupOut, cross_val_predict

from evenbore.notes import measure
from evenbore.notes.confidence import SIGNS
from scenarios import campaign, files, tables
from scenarios.drafts import Draft
from scenarios.kinds import KINDS, Kind, Strokes, moved, only_speech
from scenarios.score import score
from scenarios.sounds import DEVELOPMENT

MISHAPS = (-12, -2, -1, 1, 2, 3, 7, 12, 19)  # semitones by which a wrong note misses
WRONG_PART = 0.02  # of the mix that the confidence is right for: one wrong note in fifty
MISTAKEN = "mistaken sheets"
PRONE = (
    "attempted", "tongued again", "cents sharp", "cents flat", "neighbour", "overblown", "notes a second", "bad pass",
    "fragments", "every fourth", "drowned", "left out",
)  # fmt: skip
LEFT_OUT = ("a glide over the range", "only noise")


def every_fourth_wrong(draft: Draft) -> Strokes:
    """In place of every fourth note or so another one."""
    strokes: Strokes = []
    for stroke in draft.plain():
        other = stroke.midi + int(draft.rng.choice(MISHAPS))
        slip = draft.rng.random() < 0.25 and draft.low - 2 <= other <= draft.high + 12 and other in draft.bank
        strokes.append(replace(stroke, midi=other, steps=()) if slip else stroke)
    return strokes


ERRORS = (
    Kind("every fourth note another one", "errors", every_fourth_wrong),
    Kind("every fourth note another one, noise 10 dB down", "errors", every_fourth_wrong, change=files.noise(10)),
    *(Kind(f"drowned in noise {loud} dB louder", "errors", change=files.noise(-loud)) for loud in (0, 3, 6)),
    Kind("speech for a scale", MISTAKEN, only_speech, change=files.noise(15)),
    *(Kind(f"sheet {way:+d} semitones off", MISTAKEN, sheet=moved(way)) for way in (12, -19, 7)),
)
KINDS.update({kind.name: kind for kind in ERRORS})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=3, help="takes of every kind")
    parser.add_argument("--jobs", type=int, default=1, help="takes at the same time")
    parser.add_argument("--stored", action="store_true", help="fit what the last run heard")
    parser.add_argument("--write", action="store_true", help="renew the table in docs/accuracy.md")
    asked = parser.parse_args()
    store = REPO / "build" / "scenarios" / "signs.npz"
    if not asked.stored:
        hear(store, asked.each, asked.jobs)
    notes, source = (np.load(store)[name] for name in ("notes", "source"))
    against, right, flagged = notes[:, :-2], notes[:, -2], notes[:, -1]
    weight = np.where(right == 1, 1.0, WRONG_PART / (1 - WRONG_PART) * np.sum(right == 1) / np.sum(right == 0))
    model = LogisticRegression(C=1.0, max_iter=5000).fit(against, right, weight)
    print(f"_USUAL {model.intercept_[0]:.2f}", *(f"{n} {w:.2f}" for n, w in zip(SIGNS, -model.coef_[0], strict=True)))
    stated = cross_val_predict(
        model,
        against,
        right,
        groups=source,
        cv=LeaveOneGroupOut(),
        method="predict_proba",
        params={"sample_weight": weight},
    )[:, 1]
    held = [(float(s), int(r), int(f)) for s, r, f in zip(stated, right, flagged, strict=True)]
    print(tables.reliability(held), tables.confidence_bars(held), sep="\n\n")
    if asked.write:
        renew(REPO / "docs" / "accuracy.md", {"confidence, sources left out": tables.reliability(held)})


def hear(store: Path, each: int, jobs: int) -> None:
    """Play and measure the takes; what was `told` of their notes, and who played them, goes to a file."""
    cases = sorted(takes(each), key=lambda case: (case.source, case.family))  # a bank is read once
    with multiprocessing.Pool(jobs) as pool:
        of_takes = pool.map(told, cases, chunksize=4)
    store.parent.mkdir(parents=True, exist_ok=True)
    source = np.repeat([case.source for case in cases], [len(told) for told in of_takes])
    np.savez(store, notes=np.concatenate([told for told in of_takes if len(told)]), source=source)


def takes(each: int) -> list[campaign.Case]:
    """What is played, of every kind."""
    return [
        case
        for kind in KINDS.values()
        if kind.name not in LEFT_OUT
        for case in campaign.all_cases(DEVELOPMENT, kind.name, each * (3 if any(p in kind.name for p in PRONE) else 1))
        if case.kind == kind.name
    ]


def told(case: campaign.Case) -> np.ndarray:
    """(notes, signs + 2): the signs of each note of a take, whether it is right, and whether it is flagged."""
    kind = KINDS[case.kind]
    made, _, take = case.takes()
    recorded: list[np.ndarray] = []

    def record(*given) -> np.ndarray:
        recorded.append(signs(*given))
        return recorded[-1]

    signs, objection = measure.signs, measure.objection
    accepting = kind.group in ("sheets", MISTAKEN)
    with (
        patch.object(measure, "signs", record),
        patch.object(measure, "objection", (lambda *_: None) if accepting else objection),
    ):
        rows = campaign.measure(made, take, kind.form).notes
    if not rows:
        return np.empty((0, len(SIGNS) + 2))
    # the flag that follows from the confidence itself is no warning beside it
    plain = [row | {"flags": " ".join(word for word in row["flags"].split() if word != "unsure")} for row in rows]
    outcome = np.array([note[1:] for note in score(take.notes, plain).confidence])
    return np.hstack([np.concatenate(recorded), outcome])


if __name__ == "__main__":
    main()
