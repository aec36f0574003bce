"""How much depth the viewer gets, in plain words, for the page and the paper of a proof."""

from collections.abc import Iterator

from nearpair.proof.model import Proof
from nearpair.proof.phrases import percent

ACUITY = "40 seconds of arc, the finest step that counts as normal in eye tests: common practice, from memory"


def relief_words(proof: Proof) -> list[str]:
    """Sentences about the relief of a pair, the most telling first."""
    return list(_sentences(proof))


def _sentences(proof: Proof) -> Iterator[str]:
    found = proof.depth.relief
    if found.score is None or found.range_arcmin is None or found.acuity_steps is None:
        yield "How much depth the viewer gets could not be measured."
        return
    yield (
        f"The relief is {found.score:.0f} of 100. From near to far are {found.range_arcmin:.0f} arcmin: "
        f"{found.acuity_steps:.0f} times the smallest step of depth that ordinary eyes see ({ACUITY})."
    )
    yield _layered(proof)
    yield (
        f"{percent(found.textured_share)} of the picture has texture enough for the eyes to fuse on"
        + ("; the rest can only be seen in depth by its outlines." if found.textured_share < 0.6 else ".")
    )
    yield from _scale(proof)


def _layered(proof: Proof) -> str:
    found = proof.depth.relief
    if not found.jumps:
        return "Nowhere was a contour found at which something stands clearly before something else."
    places = "At one contour" if found.jumps == 1 else f"At {found.jumps} contours"
    size = "" if found.jump_arcmin is None else f", by {found.jump_arcmin:.0f} arcmin as a rule"
    return (
        f"{places} something stands before something else{size}; together they are "
        f"{found.jump_length_heights:.1f} times as long as the picture is high. Such layers are what makes a "
        "subject leap out."
    )


def _scale(proof: Proof) -> Iterator[str]:
    seen = proof.seen
    if seen is None:
        return
    if seen.seen_larger is not None:
        if seen.seen_larger >= 1:
            yield (
                f"The base was {seen.seen_larger:.1f} times smaller than the distance of the eyes, so the "
                "subject seems that much larger than it is, like a big model of itself."
            )
        else:
            yield (
                f"The base was {1 / seen.seen_larger:.1f} times as wide as the eyes are apart, so the "
                "subject seems that much smaller than it is, like a toy."
            )
    if seen.roundness is not None:
        way = "as round as"
        if not 0.8 <= seen.roundness <= 1.25:
            way = "flatter than" if seen.roundness < 1 else "deeper than"
        much = f"{seen.roundness:.2f} of what their width would ask for"
        yield f"Under these viewing conditions things look {way} they were: their depth is {much}."
