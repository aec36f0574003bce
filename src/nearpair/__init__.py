"""nearpair: from two focus stacks to a mounted, proofed stereoscopic photograph."""

__version__ = "0.1.0"
