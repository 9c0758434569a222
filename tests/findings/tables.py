"""The campaign's results as tables."""

from collections import Counter

import pandas as pd

from campaigns import markdown

from .plans import BASS

RUNS = ("stuffy_run", "regulation_step", "vent_fault")
CALLED_LEAK = "stuffy_run"


def grouped(lines: pd.DataFrame, part: str, planted: str | None = None):
    """(sampled or simulated, bass or other instruments, lines) of a part, in that order."""
    chosen = lines[lines["part"] == part]
    if planted is not None:
        chosen = chosen[chosen["planted"] == planted]
    sound = chosen["sound"].where(chosen["sound"] == "simulated", "sampled")
    kind = chosen["family"].isin(BASS).map({True: "bass clarinet", False: "others"})
    return [(*key, group) for key, group in chosen.groupby([sound, kind])]


def told(lines: pd.DataFrame) -> pd.Series:
    """Whether a pattern over several notes was told."""
    return lines["kind"].isin(RUNS) if "kind" in lines else pd.Series(False, lines.index)


def runs_table(lines: pd.DataFrame) -> str:
    """Sharp-edged runs: told, and how far the top note told lies from the true one."""
    rows = []
    for sound, kind, group in grouped(lines, "runs", "run"):
        for size, faulty in group.groupby("size"):
            off = faulty.loc[told(faulty), "top_off"].abs()
            row = (sound, kind, f"{size:g}", len(faulty), len(off), int((off == 0).sum()))
            rows.append(row)
    return markdown(("sound", "instruments", "size", "faulty", "told", "top note exact"), rows)


def leaks_table(lines: pd.DataFrame) -> str:
    """Leaks: told as a run, with a region, and the region right."""
    rows = []
    for part in ("leaks", "small leaks"):
        for sound, kind, group in grouped(lines, part, "leak"):
            for size, faulty in group.groupby("size"):
                flagged = faulty["kind"] == CALLED_LEAK
                located = faulty[flagged & faulty["inside"].notna()]
                right, other = int(located["inside"].astype(bool).sum()), int((told(faulty) & ~flagged).sum())
                rows.append((sound, kind, f"{size:g}", len(faulty), int(flagged.sum()), len(located), right, other))
    header = ("sound", "instruments", "size", "leaks", "told as run", "with a region", "hole inside", "told as another")
    return markdown(header, rows)


def impostors_table(lines: pd.DataFrame) -> str:
    """What is no leak: how often it was called a stuffy run."""
    rows = []
    those = lines[(lines["part"] == "impostors") & (lines["planted"] != "nothing")]
    for (planted, size), group in those.groupby(["planted", "size"]):
        said = Counter(" ".join(sorted(kinds)) or "nothing" for kinds in group["kinds"])
        called = int((group["kind"] == CALLED_LEAK).sum())
        rows.append(
            (f"{planted} {size:g}", len(group), called, ", ".join(f"{name} {n}" for name, n in said.most_common()))
        )
    return markdown(("planted", "number", "called a run", "told"), rows)


def rooms_told(lines: pd.DataFrame) -> str:
    """A room that weakens notes of every instrument of a session: the real run beside it found, none blamed for it."""
    rooms = lines[lines["part"] == "rooms"]
    faulty, healthy = rooms[rooms["planted"] == "run"], rooms[rooms["planted"] == "nothing"]
    off = faulty.loc[told(faulty), "top_off"]
    return (
        f"Of {len(faulty)} real runs {len(off)} were told, {int((off == 0).sum())} with the top note exact; of"
        f" {len(healthy)} healthy instruments {int(told(healthy).sum())} were blamed."
    )


def healthy_told(lines: pd.DataFrame) -> str:
    """Healthy instruments of all parts: false findings by tone."""
    healthy = lines[lines["planted"] == "nothing"]
    counts = [
        f"{int(healthy['kinds'].map(lambda kinds, name=name: kinds[name] > 0).sum())} were told a `{name}`"
        for name in (*RUNS, "stuffy_note")
    ]
    return f"Of {len(healthy)} healthy instruments {', '.join(counts)}."


def confidence_table(lines: pd.DataFrame) -> str:
    """Of the patterns told with a confidence in a range, how many were on instruments with that kind of fault."""
    those = lines[told(lines)]
    bins = pd.cut(those["confidence"], [0, 0.7, 0.9, 0.97, 1.0])
    rows = [
        (
            f"{span.left:g} to {span.right:g}",
            len(group),
            f"{group['confidence'].mean():.2f}",
            f"{(group['planted'] != 'nothing').mean():.2f}",
        )
        for span, group in those.groupby(bins, observed=True)
    ]
    return markdown(("confidence told", "patterns", "mean confidence", "share on faulty instruments"), rows)


def shipments_told(decisions: pd.DataFrame) -> str:
    """Shipments: faults sent to the bench, healthy instruments sent there."""
    faulty, healthy = decisions[decisions["planted"] != ""], decisions[decisions["planted"] == ""]
    shipments = len(decisions[["sound", "family", "study"]].drop_duplicates())
    found, again = (int((faulty["decision"] == word).sum()) for word in ("bench", "retake"))
    wrong, unsure = (int((healthy["decision"] == word).sum()) for word in ("bench", "retake"))
    return (
        f"Of {len(faulty)} faults in {shipments} shipments {found} went to the bench and {again} to be recorded again;"
        f" of {len(healthy)} healthy instruments {wrong} and {unsure}."
    )


def findings_tables(lines: pd.DataFrame, decisions: pd.DataFrame) -> dict[str, str]:
    """Name -> table."""
    return {
        "runs": runs_table(lines),
        "leaks": leaks_table(lines),
        "impostors": impostors_table(lines),
        "rooms": rooms_told(lines),
        "healthy": healthy_told(lines),
        "confidence": confidence_table(lines),
        "shipments": shipments_told(decisions),
    }
