"""What can go wrong in the listings, in words that can be shown."""


class ListingsError(Exception):
    """Base of the listings' own errors; the message is fit to be shown to a person."""


class NotTaken(ListingsError):
    """A file that is not taken in: no picture, empty, too large, damaged on the way."""


class OffsetConflict(ListingsError):
    """The sender is not where the stored bytes end: someone else wrote, or it guessed."""


class DiskFull(ListingsError):
    """No room for more; what is stored stays as it is."""


class Ended(ListingsError):
    """The upload is over: nothing more can be written to it."""


class StalePlan(ListingsError):
    """Someone else changed the picture's plan meanwhile."""


class CannotMake(ListingsError):
    """The file itself is at fault: trying again gives the same answer."""


class MakerLost(ListingsError):
    """The child process crashed, hung or outgrew its limits: worth another try."""
