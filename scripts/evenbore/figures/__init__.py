"""The figures of a study. This module only names them, so that the workflow can list them cheaply.

Drawing: `draw` (all of them), `notes`, `decision`, `chain`, `research` (one function per figure), `style` (looks and
saving).
"""

CATEGORIES = {
    "intonation_map": "Notes",
    "intonation_by_note": "Notes",
    "evenness_brightness": "Notes",
    "evenness_level": "Notes",
    "brightness_matched": "Notes",
    "brightness_dynamic": "Notes",
    "criteria": "Decision",
    "rank_probabilities": "Decision",
    "value_front": "Decision",
    "pairs": "Decision",
    "clusters": "Likeness and set-ups",
    "setups": "Likeness and set-ups",
    "variance_components": "Likeness and set-ups",
}
"""Figure -> its category in a Snakemake report."""
FIGURES = tuple(CATEGORIES)
