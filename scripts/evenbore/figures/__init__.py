"""The figures of a study. This module only names them, so that the workflow can list them cheaply.

Drawing: `draw` (all of them), `notes`, `decision`, `chain` (one function per figure), `style` (looks and saving).
"""

FIGURES = (
    "intonation_map",
    "intonation_by_note",
    "evenness_brightness",
    "evenness_level",
    "brightness_dynamic",
    "criteria",
    "rank_probabilities",
    "value_front",
    "pairs",
    "clusters",
    "setups",
)
