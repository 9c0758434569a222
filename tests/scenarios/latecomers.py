"""Players for the eighth set, that nothing was tuned on: instruments of two soundfonts that no other set plays, beside
models of a clarinet with a tone hole, of a bow and of a bottle.

Conventions as in `sounds`. General MIDI programs (0-based) that stand in for a family of about the same range.
"""

SAMPLED = {
    "flute": 40,  # violin
    "clarinet_a": 41,  # viola
    "bassoon": 42,  # cello
    "clarinet_bass_low_c": 42,
    "tuba": 43,  # contrabass
    "oboe": 20,  # reed organ
    "saxophone_alto": 21,  # accordion
    "trumpet_b_flat": 22,  # harmonica
    "horn_f": 61,  # brass section
    "trombone": 48,  # strings
    "saxophone_tenor": 109,  # bagpipe
}
CHIP = {
    "flute": 79,  # ocarina
    "flute_alto": 77,  # shakuhachi
    "piccolo": 78,  # whistle
    "oboe": 111,  # shanai
    "clarinet_e_flat": 22,  # harmonica
    "clarinet_b_flat": 20,  # reed organ
    "saxophone_soprano": 21,  # accordion
    "saxophone_baritone_low_a": 62,  # synthesised brass
    "bassoon": 42,  # cello
    "euphonium": 52,  # choir
    "trombone": 61,  # brass section
}
