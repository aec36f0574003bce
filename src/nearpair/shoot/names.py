"""File names that every system takes, made from the names of stations and stages."""

import re
import unicodedata
from hashlib import blake2b

_RESERVED = re.compile(
    r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE
)  # Windows; common practice
_LONGEST_BYTES = 100
_ENDINGS = (".focus", ".retouched")  # as focus maps and retouched views are called
_ADDED_BYTES = 10  # "_", "-" and eight digits


def safe_name(name: str) -> str:
    """Return `name` if every system takes it as the stem of a file, else a similar one that stays different.

    Letters and digits of all scripts, blanks, "-", "_" and "." stay. A changed name ends with a digest of the
    original, so that two stations never share a file.
    """
    whole = unicodedata.normalize("NFC", name)
    kept = "".join(letter if letter.isalnum() or letter in " -_." else "_" for letter in whole)
    kept = _shortened(kept.strip(" ."), _LONGEST_BYTES)
    taken = _RESERVED.fullmatch(kept) or kept.lower().endswith(_ENDINGS)
    if kept == whole and kept and not taken:
        return kept
    # short enough that the name with its additions is left as it is the next time
    kept = _shortened(kept, _LONGEST_BYTES - _ADDED_BYTES)
    digest = blake2b(name.encode("utf-8", "surrogatepass"), digest_size=4).hexdigest()
    return f"{kept or 'unnamed'}-{digest}" if not taken else f"_{kept}-{digest}"


def _shortened(name: str, longest: int) -> str:
    return name.encode("utf-8", "replace")[:longest].decode("utf-8", "ignore").rstrip(" .")
