"""One result however many cores work on it, and the pictures that were given stay as they are."""

import os

import numpy as np


def check_any_number_of_cores(monkeypatch, work, given, parts):
    """Check that work(*given) says the same in all `parts` with any cores, and leaves `given` alone."""
    kept, results = [array.copy() for array in given], []
    for cores in (1, 2, 7):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        results.append(work(*given))
    for array, before in zip(given, kept, strict=True):
        np.testing.assert_array_equal(array, before)
    for other in results[1:]:
        for part in parts:
            np.testing.assert_array_equal(getattr(results[0], part), getattr(other, part))
