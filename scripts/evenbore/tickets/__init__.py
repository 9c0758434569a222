"""Bench tickets: one printable page for each instrument that a technician should look at."""
