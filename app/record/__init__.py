"""The record of a fitter's work: horses, visits, saddles, pads, set-ups tried, what the hand said, when to look again.

One SQLite file, and beside it the scans and files by the hash of their content. Everything stays in one folder of this
computer, readable by its owner alone.
"""
