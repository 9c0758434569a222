"""Finds what a technician might look at, and vets every instrument.

Reads notes, references and tolerances; gives findings and decisions.
"""
