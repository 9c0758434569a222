"""What a reviewer publishes: the main figures as pictures, a sheet per instrument, sentences to quote.

This module only names the pictures, so that the workflow can list them cheaply.
"""

PUBLISHED_FIGURES = {
    "intonation_map": "How far each note is out of tune",
    "criteria": "What was measured, with 90 % intervals",
    "rank_probabilities": "How likely each rank is",
    "value_front": "Quality against cost, with 90 % intervals",
}
"""Figure -> the title of its pictures."""
PUBLISHED_SIZES = ("page", "frame")
SCHEMES = ("light", "dark")
PICTURES = tuple(
    f"{figure}_{size}_{scheme}" for figure in PUBLISHED_FIGURES for size in PUBLISHED_SIZES for scheme in SCHEMES
)
