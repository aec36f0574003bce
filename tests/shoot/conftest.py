"""Lets the tests here import `support`, the helpers that lie beside this folder."""

import sys
from pathlib import Path

if (helpers := str(Path(__file__).parents[1])) not in sys.path:
    sys.path.insert(0, helpers)
