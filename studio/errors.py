"""What can go wrong in the studio, in words that can be shown."""


class StudioError(Exception):
    """Base of the studio's own errors; the message is fit to be shown to a person."""


class StaleState(StudioError):
    """The row was no longer in the state that the act started from."""


class AlreadyIssued(StudioError):
    """A document that may exist once is there already."""


class NotFree(StudioError):
    """The wanted time can't be given: someone has it, or it lies outside the hours."""


class Frozen(StudioError):
    """An issued document was about to be changed."""
