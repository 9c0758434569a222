"""Finds the notes of a recording and measures each: pitch, tone, response.

Reads one channel of a recording and the scale that it should hold; gives notes, harmonics and bands.
"""
