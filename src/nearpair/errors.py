"""The errors of nearpair.

    NearpairError          the job, or a part of it, could not be done (exit status 1)
    ├── FrameError         one file cannot be used as a frame
    │   └── UnreadableError    the system did not let it be read; it may another time
    │       └── GoneError      it is not there any more: a card was pulled out, a disk taken away
    ├── SourceError        what was pointed at does not hold a stereoscopic shoot
    ├── PairError          the two views cannot be made a pair
    ├── ShootError         the shoot's folder cannot be read or written
    └── NewerVersionError  a file was written by a newer nearpair in a form that this one does not know

Every error says what was expected, what was found, and what to do next (`remedy`).
"""


class NearpairError(Exception):
    """The job could not be done; `str(error)` says why, `remedy` what to do."""

    def __init__(self, message: str, remedy: str) -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message} {self.remedy}".strip()


class FrameError(NearpairError):
    """One file cannot be used as a frame."""


class UnreadableError(FrameError):
    """The system did not let a file be read; nothing is said about the frame."""


class GoneError(UnreadableError):
    """A file is not there any more: the card was pulled out, a disk was taken away."""


class SourceError(NearpairError):
    """What was pointed at does not hold a stereoscopic shoot."""


class PairError(NearpairError):
    """The two views cannot be made a pair."""


class ShootError(NearpairError):
    """The shoot's folder cannot be read or written."""


class NewerVersionError(NearpairError):
    """A file was written by a newer nearpair in a form that this one does not know."""


def refuse_newer(what: str, key: str, found: object, known: int) -> None:
    """Raise NewerVersionError if `found`, the `key` in the file `what`, is a number above `known`."""
    if isinstance(found, int) and not isinstance(found, bool) and found > known:
        raise NewerVersionError(
            f"{what}: has {key} {found}, and this nearpair knows {key} {known} only: a newer one wrote it.",
            "Nothing was changed. Update nearpair, or go on with the one that wrote the file.",
        )
