"""The mounting desk: a local page on which a shoot is looked at, decided, exported and proofed.

No logic of the job: everything is done by `nearpair.shoot`, as from the command line.
"""
