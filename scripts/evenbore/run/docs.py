"""What is written from the lists of measures, criteria, own days and families: `docs/measures.md`, the table of
criteria in `docs/method.md`, the lines of criteria and own days in `config/config.yaml`, and these and the families in
`config/README.md`.

`python -m evenbore.run.docs` (with `scripts` on the import path) writes them anew.
"""

import textwrap
from pathlib import Path
from typing import cast

from evenbore.facts.criteria import (
    CRITERIA,
    LARGEST,
    MEASURED,
    PRIORITIES,
    Criterion,
)
from evenbore.facts.days import DAY_KINDS, DAY_UNIT, DAY_WORDS, LARGEST_DAYS
from evenbore.facts.flags import FLAGS, Flag
from evenbore.facts.measures import HIGH_BAND_HZ, MEASURES
from evenbore.files.paths import repo_root
from evenbore.notes.spectrum import ABOVE_NOISE_DB, TOP_HZ
from evenbore.study.config import plain_number
from evenbore.trade.families import family_keys

_BETTER = {"lower": "lower", "higher": "higher", "target": "near 0", "neutral": "", "taste": "taste"}
_HEADER = "| criterion | better |"


def written() -> dict[Path, str]:
    """Every file that holds something written from the lists, with its text as it should be."""
    root = repo_root()
    pages = {root / name: (root / name).read_text(encoding="utf-8")
             for name in ("docs/method.md", "config/README.md", "config/config.yaml")}  # fmt: skip
    method, readme, config = pages
    pages[method] = _with_lines(pages[method], _HEADER, "|", _method_rows())
    pages[readme] = _with_lines(pages[readme], "| `just_noticeable` |", "| … `", _readme_rows())
    pages[readme] = _with_lines(pages[readme], "| `own_days` |", "| … `", _readme_day_rows())
    families = textwrap.wrap(", ".join(f"`{key}`" for key in family_keys()), 118)
    pages[readme] = _with_lines(pages[readme], "Families (", "`", families)
    pages[config] = _with_lines(pages[config], "just_noticeable:", "  ", _just_noticeable_lines())
    pages[config] = _with_lines(pages[config], "own_days:", "  ", _own_days_lines())
    pages[config] = _with_lines(pages[config], "priorities:", "  ", _priorities_lines())
    return {root / "docs" / "measures.md": _measures_page()} | pages


def _with_lines(text: str, head: str, prefix: str, lines: list[str]) -> str:
    """The text with `lines` in place of those that follow the line beginning with `head` and begin with `prefix`."""
    old = text.splitlines()
    first = next(number for number, line in enumerate(old) if line.startswith(head)) + 1
    last = next((number for number in range(first, len(old)) if not old[number].startswith(prefix)), len(old))
    return "\n".join([*old[:first], *lines, *old[last:], ""])


def _method_rows() -> list[str]:
    return ["| --- | --- | --- | --- | --- |"] + [
        f"| `{c.name}` | {_BETTER[c.better]} | {c.meaning} | {_noticed(c)} | {c.day_kind} |".replace("  ", " ")
        for c in CRITERIA.values()
    ]


def _noticed(criterion: Criterion) -> str:
    if criterion.kind == "cost":
        return f"any; step {100 * cast(float, criterion.step):g} % of the median"
    if criterion.just_noticeable is None:
        return f"none known; step {criterion.step:g} {criterion.unit}"
    return f"{criterion.just_noticeable:g} {criterion.unit}"


def _readme_rows() -> list[str]:
    return [
        f"| … `{c.name}` | {c.glossary[0].lower()}{c.glossary[1:].rstrip('.')} ({c.unit}) |"
        f" above 0 to {LARGEST[c.unit]} | {plain_number(c.just_noticeable)} |"
        for c in MEASURED
    ]


def _readme_day_rows() -> list[str]:
    return [
        f"| … `{kind}` | of {DAY_WORDS[kind]}, in {DAY_UNIT} | above 0 to {LARGEST_DAYS} | {plain_number(scale)} |"
        for kind, scale in DAY_KINDS.items()
    ]


def _just_noticeable_lines() -> list[str]:
    return [f"  {c.name + ': ' + plain_number(c.just_noticeable):<24} # {c.unit}" for c in MEASURED]


def _own_days_lines() -> list[str]:
    return [f"  {kind + ': ' + plain_number(scale):<24} # {DAY_WORDS[kind]}" for kind, scale in DAY_KINDS.items()]


def _priorities_lines() -> list[str]:
    return [
        line
        for name in PRIORITIES
        for line in (f"  {name}:", *(f"    {c.name}: {c.weights[name]:g}" for c in MEASURED if name in c.weights))
    ]


def _measures_page() -> str:
    """The page as Markdown."""
    rows = [
        f"| `{m.name}` | {m.unit} | {m.definition} | {_BETTER[m.better]} | {m.source} |".replace("  ", " ")
        for m in MEASURES
    ]
    return "\n".join(
        [
            "# What is measured of every note",
            "",
            "The columns of `notes.tsv`, written by `python -m evenbore.run.docs` from the list in"
            " [measures.py](../scripts/evenbore/facts/measures.py); how each is found is told in"
            " [method.md](method.md).",
            "",
            "All but the response are of the note's steady part. a_h is the amplitude of harmonic h, 1 for a full-scale"
            f" sine; sums run over the harmonics that stand {ABOVE_NOISE_DB:g} dB or more above the noise around them"
            f" and lie under {TOP_HZ / 1000:g} kHz and 0.45 of the sample rate. Others count as absent and are never"
            " guessed. Where they, as loud as a straight line through the others (level over log2 h) or the noise"
            " allows, would change a measure by 5 % (Hz, harmonic number), 0.05 (shares) or 1 dB, the flag"
            " `noise_limited` names it: compare such values only between recordings equally quiet. The high band begins"
            f" at {HIGH_BAND_HZ / 1000:g} kHz.",
            "",
            "| column | unit | definition | better | source |",
            "| --- | --- | --- | --- | --- |",
            *rows,
            "",
            "Words in the column `flags`; measures in doubt stay in the table and are left out of all that follows:",
            "",
            *[f"- `{flag.word}`: {flag.sentence}{_doubted(flag)}" for flag in FLAGS.values()],
            "",
        ]
    )


def _doubted(flag: Flag) -> str:
    if len(flag.doubts) == len(MEASURES):
        return "; in doubt: everything"
    return f"; in doubt: {', '.join(f'`{name}`' for name in flag.doubts)}" if flag.doubts else ""


if __name__ == "__main__":
    for path, text in written().items():
        path.write_text(text, encoding="utf-8", newline="\n")
