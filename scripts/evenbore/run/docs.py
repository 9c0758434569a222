"""The page of all measures of a note, `docs/measures.md`, written from the list of measures.

`python -m evenbore.run.docs` (with `scripts` on the import path) writes it anew.
"""

from evenbore.facts.measures import FLAGS, HIGH_BAND_HZ, MEASURES
from evenbore.files.paths import repo_root
from evenbore.notes.spectrum import ABOVE_NOISE_DB, TOP_HZ

PAGE = repo_root() / "docs" / "measures.md"
_BETTER = {
    "lower": "lower is better",
    "higher": "higher is better",
    "target": "nearest to zero is best",
    "neutral": "neither is better",
}


def measures_page() -> str:
    """The page as Markdown."""
    rows = [
        f"| `{m.name}` | {m.unit} | {m.definition} | {_BETTER[m.better]} | {m.source} |".replace("  ", " ")
        for m in MEASURES
    ]
    return "\n".join(
        [
            "# What is measured of every note",
            "",
            "Written by `python -m evenbore.run.docs` from the list in"
            " [measures.py](../scripts/evenbore/facts/measures.py): change it there. The columns of `notes.tsv`, in"
            " order; how each is found is told in [method.md](method.md).",
            "",
            "a_h is the amplitude of harmonic h over the note's steady part, 1 for a full-scale sine; sums run over the"
            f" harmonics present. A harmonic is present when it stands {ABOVE_NOISE_DB:g} dB or more above the noise"
            f" around it and lies under {TOP_HZ / 1000:g} kHz and 0.45 of the sample rate; the noise is taken off. One"
            " under the noise is missing: it counts as absent and is never guessed. Where the missing harmonics, as"
            " loud as a straight line through the others (level over log2 h) or the noise allows, would change a"
            " measure by 5 % (Hz, harmonic number), 0.05 (shares) or 1 dB, the flag `noise_limited` names it: compare"
            " such values only between recordings equally quiet. The noise measures are named there when they lie"
            f" less than 3 dB above the background. The high band begins at {HIGH_BAND_HZ / 1000:g} kHz.",
            "",
            "| column | unit | definition | direction | source |",
            "| --- | --- | --- | --- | --- |",
            *rows,
            "",
            "Words in the column `flags`:",
            "",
            *[f"- `{word}`: {meaning}" for word, meaning in FLAGS.items()],
            "",
        ]
    )


if __name__ == "__main__":
    PAGE.write_text(measures_page(), encoding="utf-8", newline="\n")
