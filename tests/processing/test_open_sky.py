"""Pictures taken outside: a blue sky is no cast, and no light map is laid over it."""

from pathlib import Path

import numpy as np
import piexif
import pytest
from PIL import Image

from processing import analysis, series
from processing.wishes import Wishes

IN_A_ROOM = {"time": (1, 15), "aperture": (63, 10), "iso": 400}  # EV 7.2 at ISO 100
# Under a clear sky 1/ISO s at f/16 ("sunny 16", common practice) is EV 15 at ISO 100 by APEX.
IN_THE_SUN = {"time": (1, 100), "aperture": (16, 1), "iso": 100}


def front(path: Path, told: dict, above: tuple[int, int, int] = (120, 165, 225)) -> Path:
    """A house front under a blue sky, as a camera file with this exposure."""
    picture = np.zeros((160, 240, 3), np.uint8)
    picture[:70] = above
    picture[70:] = (190, 175, 150)
    picture[100:140, 60:180:40] = (60, 60, 70)
    exif = {
        piexif.ExifIFD.ExposureTime: told["time"],
        piexif.ExifIFD.FNumber: told["aperture"],
        piexif.ExifIFD.ISOSpeedRatings: told["iso"],
    }
    Image.fromarray(picture).save(path, quality=95, exif=piexif.dump({"Exif": exif}))
    return path


@pytest.mark.parametrize(
    ("told", "wish", "is_left"),
    [
        (IN_THE_SUN, None, True),
        (IN_A_ROOM, None, False),
        (IN_THE_SUN, False, False),
        (IN_A_ROOM, True, True),
    ],
)
def test_light_is_left_alone_under_the_open_sky(
    tmp_path: Path, told: dict, wish: bool | None, is_left: bool
) -> None:
    seen = analysis.analyse([front(tmp_path / "front.jpg", told)])
    assert seen.is_outside == (told is IN_THE_SUN)
    plan = series.settle([seen], wishes=[Wishes(outside=wish)])[0]
    assert (plan.light.strength == 0) == is_left
    if is_left:
        assert "outside" in plan.light.why


def test_a_room_lit_by_a_flash_that_nobody_told_of_is_no_outside(tmp_path: Path) -> None:
    room = front(tmp_path / "room.jpg", IN_THE_SUN, above=(235, 232, 226))
    assert not analysis.analyse([room]).is_outside
