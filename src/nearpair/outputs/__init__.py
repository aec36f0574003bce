"""Outputs: the finished forms of a mounted pair."""
