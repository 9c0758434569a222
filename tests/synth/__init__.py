"""Sounds with known truth: tones, instruments with faults, players, rooms, and the demo's recordings."""
