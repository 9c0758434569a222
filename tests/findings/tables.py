"""The campaign's results as the tables of docs/findings.md."""

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
            row = (sound, kind, f"{size:g}", len(faulty), len(off), int((off == 0).sum()), int((off <= 1).sum()))
            rows.append(row)
    return markdown(("sound", "instruments", "size", "faulty", "told", "top note exact", "within a semitone"), rows)


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


def rooms_table(lines: pd.DataFrame) -> str:
    """A room that weakens notes of every instrument of a session: the real run beside it found, none blamed for it."""
    rows = []
    for sound, kind, group in grouped(lines, "rooms"):
        faulty, healthy = group[group["planted"] == "run"], group[group["planted"] == "nothing"]
        off = faulty.loc[told(faulty), "top_off"]
        rows.append((sound, kind, len(faulty), len(off), int((off == 0).sum()), len(healthy), int(told(healthy).sum())))
    header = ("sound", "instruments", "real runs", "told", "top note exact", "healthy instruments", "blamed")
    return markdown(header, rows)


def healthy_table(lines: pd.DataFrame) -> str:
    """Healthy instruments of all parts: false findings by tone."""
    rows = []
    healthy = lines[lines["planted"] == "nothing"].assign(part="all")
    for sound, kind, group in grouped(healthy, "all"):
        counts = [
            int(group["kinds"].map(lambda kinds, name=name: kinds[name] > 0).sum()) for name in (*RUNS, "stuffy_note")
        ]
        rows.append((sound, kind, len(group), *counts))
    return markdown(("sound", "instruments", "healthy", "run", "step", "vent", "single note"), rows)


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


def shipments_table(decisions: pd.DataFrame) -> str:
    """Shipments: faults sent to the bench, healthy instruments sent there."""
    rows = []
    sound = decisions["sound"].where(decisions["sound"] == "simulated", "sampled")
    kind = decisions["family"].isin(BASS).map({True: "bass clarinet", False: "others"})
    for key, group in decisions.groupby([sound, kind]):
        faulty, sound_ones = group[group["planted"] != ""], group[group["planted"] == ""]
        count = group["study"].nunique()
        bench, again = ((sound_ones["decision"] == word).sum() / count for word in ("bench", "retake"))
        found, retake = ((faulty["decision"] == word).sum() for word in ("bench", "retake"))
        rows.append((*key, count, len(faulty), int(found), int(retake), f"{bench:.2f}", f"{again:.2f}"))
    header = ("sound", "instruments", "shipments", "faults", "bench", "retake", "false bench each", "false retake each")
    return markdown(header, rows)


def findings_tables(lines: pd.DataFrame, decisions: pd.DataFrame) -> dict[str, str]:
    """Name -> table, the names of docs/findings.md."""
    return {
        "runs": runs_table(lines),
        "leaks": leaks_table(lines),
        "impostors": impostors_table(lines),
        "rooms": rooms_table(lines),
        "healthy": healthy_table(lines),
        "confidence": confidence_table(lines),
        "shipments": shipments_table(decisions),
    }
