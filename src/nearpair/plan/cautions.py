"""What to take care of while shooting by a plan. Customary; local rules and trained people go first."""

from nearpair.plan.model import Stack, Stereo

LAMPS = (
    "Lamps get hot: keep them and their leads away from paper, cloth and the subject, never leave them "
    "alone, and follow their maker's instructions and your local rules for electricity."
)
FLASH = "Do not fire flashes into anyone's eyes; people with photosensitive epilepsy should not stand near."
EYES = (
    "Look at the finished picture for a short while first, and stop if your head aches, your eyes sting or "
    "you see double. Children and large screens need less depth."
)
RAIL = "Screws have play: come to every reading from the same side, or let the way back overshoot and return."
MOTOR = (
    "A rail that moves by itself can pinch fingers and topple what stands in its way: keep hands, hair and "
    "cables clear, have its switch at hand, watch a dry run first, and never leave it alone."
)
TIPPING = "Fix tripod and stand so that the weight of the camera cannot tip them when it slides forward."


def cautions(stack: Stack, stereo: Stereo, with_motor: bool) -> list[str]:
    """Cautions that apply, the most pressing first."""
    found = [MOTOR] if with_motor else []
    if stack.kind == "rail":
        near = f"The lens comes within {stack.clearance_mm:.3g} mm of the subject, counted from its entrance "
        found.append(f"{near}pupil: make sure that barrel and lamps clear it before you begin.")
        found += [TIPPING, RAIL]
    if not stereo.comfortable:
        found.append("This is deeper than is comfortable for the viewing conditions of the plan.")
    return [*found, LAMPS, FLASH, EYES]
