"""Runs the program: the command line, the workflow and its progress, what a result was made from.

The only room that knows Snakemake.
"""
