"""What a file says about how the picture was taken: one frozen record, whatever the format."""

import math
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from .errors import ProcessingError

Kind = str  # "raw", "jpeg", "tiff", "png", "heif" or "webp"


@dataclass(frozen=True)
class Facts:
    """Facts of one frame, read without decoding its pixels.

    Width and height are those after orientation. A value that the file does not give is None; nothing is
    made up. Times are naive ISO strings with sub-seconds when known: the camera's own clock.
    `camera_serial` and `lens_serial` serve grouping only and are never written out.
    """

    width: int
    height: int
    kind: Kind
    maker: str | None = None
    model: str | None = None
    lens_maker: str | None = None
    lens: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    aperture: float | None = None
    exposure_s: float | None = None
    iso: float | None = None
    exposure_bias_ev: float | None = None
    taken_at: str | None = None
    utc_offset: str | None = None
    orientation: int = 1
    flash_fired: bool | None = None
    camera_serial: str | None = None
    lens_serial: str | None = None
    crop_factor: float | None = None
    exif_light_source: int | None = None
    is_whole: bool | None = None  # all that the lens drew on the sensor; False: cut since; None: not told
    exif: dict[str, Any] = field(default_factory=dict)  # camera tags fit to be handed on, by tag number

    @property
    def size(self) -> tuple[int, int]:
        """Width and height after orientation."""
        return self.width, self.height

    @property
    def relative_ev(self) -> float | None:
        """log2(exposure x ISO / aperture^2): brightness of the recorded picture.

        Steps of a bracket are differences of it. A frame without an aperture (adapted lens) counts as f/1,
        which is right for differences within a visit.

        Examples
        --------
        >>> round(Facts(3, 2, "raw", exposure_s=1 / 15, iso=100, aperture=6.3).relative_ev, 3)
        -2.574
        """
        if not self.exposure_s or not self.iso:
            return None
        return math.log2(self.exposure_s * self.iso / (self.aperture or 1.0) ** 2)

    @property
    def ev100(self) -> float | None:
        """Exposure value at ISO 100: log2(N^2 / t) - log2(ISO / 100) (APEX, ISO 2720).

        Examples
        --------
        >>> round(Facts(3, 2, "raw", exposure_s=1 / 15, iso=400, aperture=6.3).ev100, 3)
        7.218
        """
        if not self.exposure_s or not self.iso or not self.aperture:
            return None
        return math.log2(self.aperture**2 / self.exposure_s) - math.log2(self.iso / 100)

    @property
    def focal_px(self) -> float | None:
        """Focal length in pixels from the 35 mm equivalent (longer edge = 36 mm) or crop factor."""
        equivalent = self.focal_35mm
        if not equivalent and self.focal_mm and self.crop_factor:
            equivalent = self.focal_mm * self.crop_factor
        return equivalent / 36.0 * max(self.width, self.height) if equivalent else None

    def to_json(self) -> dict[str, Any]:
        """Plain dict that `from_json` turns back into an equal record."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Facts":
        """Record from `to_json`; unknown keys are refused by name."""
        unknown = set(data) - {f.name for f in fields(cls)}
        if unknown:
            raise ProcessingError(f"facts: unknown key {sorted(unknown)[0]!r}")
        return cls(**data)
