"""What can go wrong while a picture is made. Every message names what was needed and what came."""


class ProcessingError(Exception):
    """Base of everything that `processing` raises on purpose."""


class ShapeError(ProcessingError, ValueError):
    """An array has the wrong shape, type or range for the function it was given to."""


class UnreadableFile(ProcessingError):  # noqa: N818
    """A file cannot be read as a picture; the message says why in plain words."""


class UnreadableRaw(UnreadableFile):
    """A camera raw file cannot be read: cut off, unknown, or decoded to nothing."""


class NoCalibration(ProcessingError):  # noqa: N818
    """A calibration was asked for by name and does not exist."""


class PlanError(ProcessingError, ValueError):
    """A plan holds something that is not understood: an unknown key, a wrong type, a wrong range."""


class WriteError(ProcessingError):
    """A finished file could not be written, or did not read back as it was written."""
