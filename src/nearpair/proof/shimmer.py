"""How much rivalry is too much, and whose fault it is: the colours' or the exposure's.

A colour that both eyes see in an acceptable ratio leaves it when one view is darker as well. So rivalry is
blamed on colours as far as it stays when the views are made equally bright, and on the exposure as far as it
goes.
"""

from nearpair.proof.model_look import Rivalry

RIVALRY_CARE, SATURATED_CARE, SATURATED_REWORK = 0.05, 0.02, 0.20
"""Of patches; clean scenes have up to 0.1 %, a red subject 37 % or more (docs/measured.md)."""


def of_colours(seen: Rivalry) -> tuple[float, float]:
    """Shares in patches of rivalry, and all but black for one eye, that the colours are to blame for."""
    if seen.even_patch_share is None:
        return seen.patch_share or 0.0, seen.saturated_patch_share or 0.0
    return seen.even_patch_share, seen.even_saturated_patch_share or 0.0


def shimmers(share: float, saturated: float) -> bool:
    """Whether shares in patches of rivalry, and all but black for one eye, are too much."""
    return share >= RIVALRY_CARE or saturated >= SATURATED_CARE


def by_exposure(seen: Rivalry) -> bool:
    """Whether it is too much as the views are, and would not be if they were equally bright."""
    now = shimmers(seen.patch_share or 0.0, seen.saturated_patch_share or 0.0)
    return now and not shimmers(*of_colours(seen))
