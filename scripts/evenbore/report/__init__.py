"""What all outputs share (results, words, curves, pages as PDF), the workbook, and what a paper needs.

Reads the results tables; gives what figures, page, publication and tickets show.
"""
