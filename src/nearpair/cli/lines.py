"""Lines of a summary: a label in the margin, the text, and how much it matters."""

import textwrap
from dataclasses import dataclass

LABEL_WIDTH = 10
LOUD, WEAK, GOOD = "bold red", "dim", "bold green"


@dataclass(frozen=True, slots=True)
class Line:
    """One paragraph of a summary: a label in the margin, the text, and how much it matters.

    `whole` lines are never wrapped: paths, to be copied.
    """

    label: str
    text: str
    style: str = ""
    whole: bool = False

    def wrapped(self, width: int) -> str:
        """Return the paragraph in lines of at most `width` letters; no word is cut."""
        if self.whole:
            return f"{self.label:<{LABEL_WIDTH}}{self.text}"
        return textwrap.fill(
            self.text,
            width,
            initial_indent=f"{self.label:<{LABEL_WIDTH}}",
            subsequent_indent=" " * LABEL_WIDTH,
            break_long_words=False,
            break_on_hyphens=False,
        )
