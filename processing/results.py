"""Results that say "could not tell" without raising: falsy, with the reason."""

from dataclasses import dataclass


@dataclass(frozen=True)
class NotFound:
    """Nothing could be estimated; `reason` says why in words for people, `code` which kind of picture it is
    ("fisheye", "lens_unknown"; see `quality.NEEDS_LOOK`) where that matters to others.

    Examples
    --------
    >>> found = NotFound("2 near-vertical lines, need 4")
    >>> bool(found), found.reason
    (False, '2 near-vertical lines, need 4')
    """

    reason: str
    code: str = ""

    def __bool__(self) -> bool:
        return False
