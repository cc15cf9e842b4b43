"""A person's wishes: every key optional, every mistake named."""

import pytest

from processing.errors import PlanError
from processing.wishes import Wishes


def test_an_empty_plan_asks_for_nothing():
    assert Wishes.from_json({}) == Wishes()


def test_every_key_of_the_contract_is_understood():
    wishes = Wishes.from_json(
        {
            "version": 1,
            "neutral_points": [{"input": "a.jpg", "x": 10, "y": 20.5}],
            "level": {"plumb": [[10, 0, 12, 300], [500, 0, 490, 300]]},
            "crop": {"ratio": "4:3"},
            "brightness_ev": 0.3,
            "lift": 0.5,
            "window_hold": 0.2,
            "contrast": -0.1,
            "warmth_kept": 0.4,
            "groups": [["a.jpg", "b.jpg"]],
        }
    )
    assert wishes.neutral_points == (("a.jpg", 10.0, 20.5),)
    assert len(wishes.plumb) == 2
    assert wishes.crop_ratio == "4:3"
    assert wishes.groups == (("a.jpg", "b.jpg"),)


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ({"brightnes_ev": 1}, "unknown key 'brightnes_ev'"),
        ({"level": {"rol_deg": 1}}, "unknown key 'level.rol_deg'"),
        ({"crop": {"ratio": "3:2", "size": 1}}, "unknown key 'crop.size'"),
        ({"neutral_points": [{"input": "a", "x": 1, "y": 1, "z": 1}]}, "neutral_points.z"),
        ({"outside": "yes"}, "outside: need true or false"),
        ({"removals": [{"area": [[1, 1], [2, 2], [3, 1]]}]}, "removals.input"),
        ({"removals": [{"input": "a", "area": [[1, 1], [2, 2]]}]}, "three or more"),
        ({"removals": [{"input": "a", "area": [[1, 1], [2, 2], [3, "x"]]}]}, "removals.area"),
        ({"version": 2}, "version: this program understands 1"),
        ({"lift": 1.5}, "lift: need 0 to 1"),
        ({"lift": "much"}, "lift: need a number"),
        ({"lift": True}, "lift: need a number"),
        ({"brightness_ev": float("nan")}, "brightness_ev: need a number"),
        ({"crop": {"ratio": "9:1"}}, "crop.ratio"),
        ({"crop": {"rect": [0, 0, 5, 5]}}, "crop.rect"),
        ({"level": {"plumb": [[1, 2, 3]]}}, "level.plumb"),
        ({"level": {"plumb": [[1, 2, 1, 4]]}}, "shorter than 8 pixels"),
        ({"level": {"plumb": [[0, 0, 0, 99]], "roll_deg": 1}}, "not both"),
        ({"groups": ["a.jpg"]}, "groups: need lists"),
        ([], "need a JSON object"),
    ],
)
def test_each_mistake_is_named(plan, words):
    with pytest.raises(PlanError) as caught:
        Wishes.from_json(plan)
    assert words in str(caught.value)
