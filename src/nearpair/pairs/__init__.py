"""Pairs: disparity, which eye is which, and mounting."""
