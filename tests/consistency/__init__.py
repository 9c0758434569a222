"""Whether the outputs of a finished study say the same: everything is read from outside, as a reader would.

`outputs.read_study` gathers what every output says as `statements.Statement`; `rules.contradictions` returns the
statements that disagree. None of the program's own words or tables functions is used: a word that it gets wrong
everywhere alike would pass unseen. `python tests/consistency/run.py STUDY` tells of one study.
"""
