"""A study: its config and sheets, read, checked, made from recordings, joined.

Reads the study's folder; gives it as one object, or all problems at once.
"""
