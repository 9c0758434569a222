"""What an instrument's own days change, and how much is assumed of it before recordings tell."""

# ASSUME: an instrument's own days (reed, warmth, lips) scatter by less than a third as much as takes of one day do; no
# source. Simulated in docs/decisions.md.
DAY_KINDS = {"whole": 0.3, "between_notes": 0.3}
"""What an instrument's own days change (DAY_WORDS): the default of what is assumed of either, the scale of the days'
standard deviation in those of a take."""
LARGEST_DAYS = 5
DAY_UNIT = "standard deviations of a take"
DAY_WORDS = {"whole": "the take as a whole", "between_notes": "one note against another"}
