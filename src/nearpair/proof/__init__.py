"""The proof: what was measured on the mounted pair, in figures, words and pictures."""
