"""What a reviewer publishes: the main figures as pictures, a sheet per instrument, sentences to quote.

This module only names the pictures, so that the workflow can list them cheaply.
"""

FIGURES = ("intonation_map", "criteria", "rank_probabilities", "value_front")
SIZES = ("page", "frame")
SCHEMES = ("light", "dark")
PICTURES = tuple(f"{figure}_{size}_{scheme}" for figure in FIGURES for size in SIZES for scheme in SCHEMES)
