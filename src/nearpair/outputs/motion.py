"""Depth by movement: the order of views and the tempo of pictures that loop.

Tempo. WCAG 2.2, success criterion 2.3.1, allows at most three flashes in any second, a flash being a pair of
opposing changes of luminance. Two views by turns make one such pair in each round of two pictures, wherever
they differ; a sway from view to view and back makes one in each round. So a round may be no shorter than a
third of a second, whatever the pictures show; ours is much slower, for comfort. The size of what changes and
by how much could excuse more flashes; we do not count on that.
"""

import math

FEWEST_ROUND_MS = 1000 / 3
"""A round shorter than this would flash more than three times in a second."""

SWAP_MS = 400
"""How long each of two views stands: 1.25 flashes in a second at most."""

ROCKING_MS, ROCKING_FRAMES = 2400, 24
"""A sway there and back, and in how many pictures."""


def sway(frames: int) -> list[float]:
    """Positions between the views (0 left, 1 right) of a sway there and back, slowing down at both ends.

    Half a cosine there, the same back: `frames` (even, 2 or more) positions for one round.
    """
    if frames < 2 or frames % 2:
        raise ValueError(f"a sway needs an even number of pictures, 2 or more, got {frames}")
    half = frames // 2
    there = [(1 - math.cos(math.pi * number / half)) / 2 for number in range(half + 1)]
    return [*there, *there[-2:0:-1]]
