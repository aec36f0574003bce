"""What all self-contained pages share: where templates come from, and what their content policy allows."""

import base64
import hashlib
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def templates(package: str) -> "Environment":
    """The templates beside the modules of a package: all is escaped, unknown names are errors."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package, ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def allowed(text: str) -> str:
    """How a content policy names a style or script that stands in the page (CSP level 2): 'sha256-...'."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
