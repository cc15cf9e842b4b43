"""The sun against the algorithm's own worked example and two other libraries (sources in values/sun.json)."""

import datetime as dt
import json
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from processing.fieldcraft import sun

CHECKS = json.loads((Path(__file__).parent / "values" / "sun.json").read_text())["checks"]
CITIES = [c for c in CHECKS if c["id"].startswith("sun-")]
FACADES = [c for c in CHECKS if c["id"].startswith("facade-")]
DENVER, DENVER_ZONE = sun.Place(39.7392, -104.9903), ZoneInfo("America/Denver")
BEARINGS = {"N": 0, "E": 90, "SE": 135, "S": 180, "W": 270}
LONDON, LONDON_ZONE = sun.Place(51.5074, -0.1278), ZoneInfo("Europe/London")


def named(check: dict) -> str:
    return check["id"]


def clock(on: str, time: str, zone: dt.tzinfo) -> dt.datetime:
    return dt.datetime.fromisoformat(f"{on} {time}").replace(tzinfo=zone)


def seconds_off(found: dt.datetime, time: str) -> float:
    return abs((found - clock(str(found.date()), time, found.tzinfo)).total_seconds())


def worked_example() -> tuple[dict, dict, sun.Place]:
    (known,) = (c for c in CHECKS if c["id"] == "spa-A5")
    given = known["inputs"]
    place = sun.Place(given["lat"], given["lon"], given["elev_m"], given["pressure_hPa"], given["temp_C"])
    return known, known["expected"], place


def test_the_worked_example_of_the_paper() -> None:
    known, want, place = worked_example()
    at = sun.position(
        dt.datetime.fromisoformat("2003-10-17 12:30:30-07:00"), place, delta_t_s=known["inputs"]["delta_t"]
    )
    assert float(at.zenith_deg) == pytest.approx(want["zenith"], abs=5e-6)  # every printed digit
    assert float(at.azimuth_deg) == pytest.approx(want["azimuth"], abs=5e-6)


def test_rise_noon_and_set_of_the_worked_example() -> None:
    """The paper names the events of the UTC day: its sunset is that of the evening before in Colorado."""
    known, want, place = worked_example()
    mountain = dt.timezone(dt.timedelta(hours=-7))
    days = [sun.day(dt.date(2003, 10, n), mountain, place, delta_t_s=67) for n in (16, 17)]
    allowed = known["tolerance"]["s"]
    assert seconds_off(days[1].rises[0], want["sunrise"]) < allowed
    assert seconds_off(days[1].noon, want["transit"]) < 0.1
    assert days[0].sets[0].astimezone(dt.UTC).date() == dt.date(2003, 10, 17)
    assert seconds_off(days[0].sets[0], want["sunset"]) < allowed


@pytest.mark.parametrize("known", CITIES, ids=named)
def test_position_agrees_with_two_libraries(known: dict) -> None:
    given = known["inputs"]
    for hour in (10, 15):
        at = sun.position(
            clock(given["date"], f"{hour}:00", ZoneInfo(given["tz"])), sun.Place(given["lat"], given["lon"])
        )
        want = known["expected"][f"pos_{hour}h"]
        assert float(at.azimuth_deg) == pytest.approx(want["pv_az"], abs=0.001)  # printed to three places
        assert float(at.true_elevation_deg) == pytest.approx(want["pv_el"], abs=0.001)
        allowed = known["tolerance"]["deg"]
        assert float(at.azimuth_deg) == pytest.approx(want["astral_az"], abs=allowed)
        assert float(at.true_elevation_deg) == pytest.approx(want["astral_el_noref"], abs=allowed)


@pytest.mark.parametrize("known", CITIES, ids=named)
def test_a_days_light_agrees_with_two_libraries(known: dict) -> None:
    given, want = known["inputs"], known["expected"]
    found = sun.day(
        dt.date.fromisoformat(given["date"]), ZoneInfo(given["tz"]), sun.Place(given["lat"], given["lon"])
    )
    grid_s = 11  # that of the values
    assert seconds_off(found.noon, want["pvlib_spa_rst"]["transit"]) < 2
    golden = want["pvlib_golden_6"]
    if want["pvlib_civil_-6"] == [None, None]:  # the sun of midnight
        assert found.is_always_up
        assert not found.civil
        assert not found.blue
        assert seconds_off(found.golden[0].end, golden[0]) < grid_s
        assert seconds_off(found.golden[1].begin, golden[1]) < grid_s
        return
    pairs = [
        (found.rises[0], want["pvlib_rise_set_-0.833"][0]),
        (found.sets[0], want["pvlib_rise_set_-0.833"][1]),
        (found.civil[0].begin, want["pvlib_civil_-6"][0]),
        (found.civil[1].end, want["pvlib_civil_-6"][1]),
        (found.blue[0].end, want["pvlib_blue_-4"][0]),
        (found.blue[1].begin, want["pvlib_blue_-4"][1]),
        (found.golden[0].end, golden[0]),
        (found.golden[1].begin, golden[1]),
    ]
    assert max(seconds_off(moment, time) for moment, time in pairs) < grid_s
    other = want["astral"]
    pairs = [(found.rises[0], other["sunrise"]), (found.sets[0], other["sunset"]),
             (found.civil[0].begin, other["dawn"]), (found.civil[1].end, other["dusk"])]  # fmt: skip
    assert max(seconds_off(moment, time) for moment, time in pairs) < known["tolerance"]["seconds"]


@pytest.mark.parametrize("known", FACADES, ids=named)
def test_when_a_front_is_lit(known: dict) -> None:
    given = known["inputs"]
    front = sun.Front(BEARINGS[given["facade"]])
    found = sun.day(dt.date.fromisoformat(given["date"]), DENVER_ZONE, DENVER, front=front).front
    want = known["expected"]["lit"]
    assert len(found) == len(want)
    for span, (begin, end) in zip(found, want, strict=True):
        assert seconds_off(span.begin, begin) <= known["tolerance"]["minutes"] * 60
        assert seconds_off(span.end, end) <= known["tolerance"]["minutes"] * 60


def test_a_front_is_lit_for_less_time_when_more_is_asked_of_the_sun() -> None:
    """At the ends of the span the sun stands just where the limits are."""
    front = sun.Front(225, angle_deg=60, above_deg=12)
    (span,) = sun.day(dt.date(2027, 9, 1), LONDON_ZONE, LONDON, front=front).front
    first, last = (sun.position(moment, LONDON) for moment in (span.begin, span.end))
    assert float(first.azimuth_deg) == pytest.approx(165, abs=0.02)
    assert float(last.elevation_deg) == pytest.approx(12, abs=0.01)


@pytest.mark.parametrize(
    ("on", "hours"), [(dt.date(2027, 3, 28), 23), (dt.date(2027, 6, 1), 24), (dt.date(2027, 10, 31), 25)]
)
def test_days_on_which_clocks_change_have_their_true_length(on: dt.date, hours: int) -> None:
    found = sun.day(on, LONDON_ZONE, LONDON)
    assert (found.end.timestamp() - found.begin.timestamp()) / 3600 == hours
    assert 11.5 < found.noon.astimezone(dt.UTC).hour + found.noon.minute / 60 < 12.5
    assert found.noon.utcoffset() == dt.timedelta(hours=0 if on.month == 10 else 1)


def test_high_latitudes_without_rise_or_set() -> None:
    """Svalbard, Longyearbyen: polar night from mid-November, midnight sun from late April (almanacs)."""
    place, zone = sun.Place(78.2232, 15.6267), ZoneInfo("Arctic/Longyearbyen")
    winter, summer = (sun.day(dt.date(2026, m, 21), zone, place) for m in (12, 6))
    assert winter.is_never_up
    assert [*winter.rises, *winter.sets, *winter.golden, *winter.blue] == []
    assert not winter.is_always_up
    assert summer.is_always_up
    assert summer.up[0].length_s == 86400
    pole = sun.day(dt.date(2026, 6, 21), dt.UTC, sun.Place(90, 0))
    assert pole.highest_deg == pytest.approx(23.44, abs=0.05)  # the Earth's tilt, and the air's .04


def test_many_moments_give_what_each_gives_and_the_air_is_optional() -> None:
    moments = np.arange(0, 86400, 7200) + dt.datetime(2027, 6, 1, tzinfo=dt.UTC).timestamp()
    together = sun.position(moments, LONDON)
    alone = [sun.position(dt.datetime.fromtimestamp(t, dt.UTC), LONDON) for t in moments]
    assert together.azimuth_deg == pytest.approx([float(p.azimuth_deg) for p in alone])
    vacuum = sun.position(moments, sun.Place(51.5074, -0.1278, pressure_hpa=0))
    assert vacuum.elevation_deg == pytest.approx(vacuum.true_elevation_deg)


def test_a_place_or_moment_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="latitude of -90 to 90"):
        sun.Place(91, 0)
    with pytest.raises(ValueError, match="without a time zone"):
        sun.position(dt.datetime(2027, 1, 1), LONDON)
