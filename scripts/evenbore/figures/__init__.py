"""The figures of a study, as PNG and SVG.

`entries` lists them, `notes`, `decision`, `chain` and `research` draw them (one function per figure, with its category
and caption), `draw` draws all, `style` is looks and saving.
"""
