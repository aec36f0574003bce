"""Lets the tests here import `benchmarks`, which is no part of the package."""

import sys
from pathlib import Path

if (root := str(Path(__file__).parents[2])) not in sys.path:
    sys.path.insert(0, root)
