"""What is decided for a visit, where one picture or one mark would lead the rest astray."""

from pathlib import Path

import numpy as np
from PIL import Image

from processing import analysis, series, straightening
from processing.verticals import Level


def flat(path: Path, size: tuple[int, int], colour: tuple[int, int, int]) -> Path:
    picture = np.full((size[1], size[0], 3), colour, np.uint8)
    picture += np.random.default_rng(0).integers(0, 3, picture.shape, np.uint8)
    Image.fromarray(picture).save(path, quality=95)
    return path


def test_the_sets_level_is_not_taken_where_it_would_leave_next_to_nothing(
    tmp_path: Path, monkeypatch
) -> None:
    strip = analysis.analyse([flat(tmp_path / "strip.jpg", (1200, 30), (120, 118, 115))])
    told = straightening.settle([strip.sighting])[0]
    tilted = Level(4.0, 0.0, "both", "as the other pictures", 4.0, 0.0, confidence=0.5, source="set")
    monkeypatch.setattr(
        series.straightening, "settle", lambda seen: [type(told)(told.curve, tilted, told.focal_px)]
    )
    plan = series.settle([strip])[0]
    assert plan.level.level == "none"
    assert "too little" in plan.level.why


def test_a_mark_on_a_strong_colour_is_asked_about(tmp_path: Path) -> None:
    path = tmp_path / "room.jpg"
    picture = np.full((200, 300, 3), (150, 148, 146), np.uint8)
    picture[60:140, 60:140] = (205, 90, 20)
    Image.fromarray(picture).save(path, quality=95)
    seen = analysis.analyse([path])

    def notes(x: float) -> str:
        wish = {"neutral_points": [{"input": path.name, "x": x, "y": 100}]}
        return " ".join(series.settle([seen], [wish])[0].notes)

    assert "really white or grey" in notes(100)
    assert "really white or grey" not in notes(220)
