"""Lets the tests here import `support` and the script beside them."""

import sys
from pathlib import Path

for helpers in (Path(__file__).parents[1], Path(__file__).parent):
    if str(helpers) not in sys.path:
        sys.path.insert(0, str(helpers))
