"""Judges every instrument by every criterion: value, interval, reason.

Reads the notes with their set-up taken out; gives the table of instruments and the tuning advice.
"""
