"""Compares instruments: pairs, ranks, value, clusters, properties, states.

Reads what `judge` and `setups` found of every instrument; gives the tables of comparison.
"""
