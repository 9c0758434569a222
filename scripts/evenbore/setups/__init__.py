"""Takes rooms and microphones out, where an instrument recorded in several sessions shows them.

Reads notes, harmonics and bands of all sessions; gives set-ups' responses, and notes and profiles without them.
"""
