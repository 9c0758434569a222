"""Declares, once, what the program measures and what it says: measures, criteria, columns.

Reads nothing; every other room reads it.
"""
