"""Tables of the comparability page, in Markdown, from the campaign's results."""

import numpy as np

from .campaign import DAY_RATIOS, share


def comparability_tables(results: dict) -> dict[str, str]:
    """All tables by their names in the page; a part that was not run has none."""
    made = {
        "coverage": coverage_table(results["coverage"]),
        "unlinked": unlinked_table(results["unlinked"]),
        "order": order_table(results["order"]),
    }
    return made | ({"chains": audio_table(results["audio"])} if results["audio"] else {})


def table(head: list[str], rows: list[list]) -> str:
    """A Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(map(str, line)) + " |" for line in lines)


def _names(rows: list[dict], key: str) -> list:
    return list(dict.fromkeys(row[key] for row in rows))


def coverage_table(rows: list[dict]) -> str:
    """Criteria by ratio of an instrument's own days to takes, and the design that holds least."""
    head = ["criterion", "all", *(f"days {ratio:g}" for ratio in DAY_RATIOS), "least of the designs"]
    lines = []
    for name in _names(rows, "criterion"):
        own = [row for row in rows if row["criterion"] == name]
        by_ratio = [f"{100 * share(own, day_ratio=ratio):.1f}" for ratio in DAY_RATIOS]
        least, design = min((share(own, design=design), design) for design in _names(own, "design"))
        lines.append([f"`{name}`", f"{100 * share(own):.1f}", *by_ratio, f"{100 * least:.0f}: {design}"])
    return table(head, lines)


def unlinked_table(rows: list[dict]) -> str:
    """Studies with unlinked sessions."""
    keys = ("design", "studies", "pairs", "compared")
    return table(["sessions", *keys[1:]], [[row[key] for key in keys] for row in rows])


def order_table(row: dict) -> str:
    """Order of timbre evenness across sessions."""
    keys = ("studies", "pairs", "wrong")
    return table([*keys, "Kendall's τ"], [[*(row[key] for key in keys), f"{row['tau']:.3f}"]])


def audio_table(rows: list[dict]) -> str:
    """Sampled instruments through six chains."""
    head = ["recordings", "studies", "raw RMS (dB)", "normalised RMS (dB), median", "95 % of pairs", "largest",
            "correlation", "slope"]  # fmt: skip
    lines = []
    for name in _names(rows, "name"):
        own = [row for row in rows if row["name"] == name]
        pooled = {key: np.concatenate([row[key] for row in own]) for key in own[0] if isinstance(own[0][key], list)}
        rms = pooled["normalised_db"]
        lines.append([
            name, len(own), f"{np.median(pooled['raw_db']):.2f}", f"{np.median(rms):.2f}",
            f"{np.quantile(rms, 0.95):.2f}", f"{rms.max():.2f}",
            f"{np.corrcoef(pooled['true_db'], pooled['found_db'])[0, 1]:.3f}",
            f"{np.polyfit(pooled['true_db'], pooled['found_db'], 1)[0]:.3f}",
        ])  # fmt: skip
    return table(head, lines)
