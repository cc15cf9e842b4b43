"""Zones by postcode: the table they come from, the way and fee they give, and the sun they stand in for."""

import datetime as dt
from pathlib import Path

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from studio import diary, diary_days, quoting, sunlight, weeks, zone_files
from studio.models import Business, Zone, ZoneWay
from studio.travel import Place, Roads
from studio.zones import Zones
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db

TABLE = b"""zone,to,minutes,fee,prefixes,latitude,longitude
Town,,10,0,HM1 hm4,54.12,-2.46
Coast,,15,5.00,HM CO,,
Fells,,,,HM42,54.50,-3.10
Town,Coast,40,18.00,,,
Town,Fells,70,25,,,
Fells,Town,80,30.00,,,
"""
THURSDAY = dt.date(2027, 6, 3)


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def business():
    made = factories.make_business(base_postcode="HM1 1")
    zone_files.replace_all(TABLE, "EUR")
    return made


@pytest.mark.parametrize(
    ("postcode", "name"),
    [
        ("HM4 1AB", "Town"), ("hm 41ab", "Town"), ("H M-4", "Town"), ("HM4 2AB", "Fells"), ("hm9", "Coast"),
        ("CO", "Coast"), ("C", None), ("", None), ("XX1", None),
    ],
)  # fmt: skip
def test_the_longest_beginning_wins_whatever_blanks_and_capitals(business, postcode, name):
    zone = Zones.read().of(postcode)
    assert (zone.name if zone else None) == name


def test_a_way_holds_back_too_unless_the_way_back_has_its_own_row(business):
    roads = Roads.of(business)
    town, coast, fells = Place(postcode="HM1"), Place(postcode="CO"), Place(postcode="HM42")
    assert (roads.minutes(town, coast), roads.minutes(coast, town)) == (40, 40)
    assert (roads.minutes(town, fells), roads.minutes(fells, town)) == (70, 80)
    assert roads.minutes(town, town) == 10
    # not given: the way of unknown length
    assert roads.minutes(coast, fells) == roads.minutes(fells, fells) == business.travel_minutes_default


def test_two_known_points_stand_before_the_zones_and_one_does_not(business):
    roads = Roads.of(business)
    here, there = Place((54.0, -2.0), "HM1"), Place((54.0, -1.5), "CO")
    assert roads.minutes(here, there) == 65  # 32.68 km, 42.5 by road, at 40 km/h
    assert roads.minutes(here, Place(postcode="CO")) == 40


def quote(business, **changed):
    values = {"extras": (), "point": None, "postcode": "", "floor_area_m2": 70, "bedrooms": 1, "bathrooms": 1}
    prices = factories.make_price_list()
    return quoting.quote_for(prices, business, **(values | changed))


@pytest.mark.parametrize(
    ("changed", "line", "words"),
    [
        (
            {"postcode": "CO4"},
            ("Travel: Coast", 1800),
            "our zones, as our own map point is not known: Town to Co",
        ),
        ({"postcode": "HM42"}, ("Travel: Fells", 2500), "Town to Fells"),
        ({"postcode": "HM1"}, None, "inside Town"),
        ({"postcode": "XX1"}, None, "not known yet, so no travel"),
    ],
)
def test_the_quote_takes_the_zones_fee_and_says_so(business, changed, line, words):
    found = quote(business, **changed)
    travel = [(row.description, row.amount_minor) for row in found.lines if row.code == "travel"]
    assert travel == ([line] if line else [])
    assert words in " ".join(found.remarks)


def test_the_distance_stands_before_the_fee_and_a_list_without_travel_charges_none(business):
    business.base_latitude_deg, business.base_longitude_deg = 54.0, -2.0
    far = quote(business, point=(54.0, -1.5), postcode="CO")  # 42.5 km: 13 begun beyond 30
    assert [row.amount_minor for row in far.lines if row.code == "travel"] == [13 * 60]
    assert "distance to the home's map point" in far.remarks[0]
    assert "as the home's map point is not known" in quote(business, postcode="CO").remarks[0]
    prices = factories.make_price_list()
    prices.items.filter(code="travel").delete()
    none = quoting.quote_for(
        prices, business, extras=(), point=None, postcode="CO", floor_area_m2=70, bedrooms=1, bathrooms=1
    )
    assert [row.code for row in none.lines] == ["base-80"]


def test_the_diary_keeps_the_zones_way_free_in_both_directions(business):
    factories.make_opening_hours()
    piet = factories.make_photographer()
    noon = dt.datetime(2027, 6, 3, 11, tzinfo=dt.UTC)
    factories.make_booking(photographer=piet, starts_at=noon, home=factories.make_home(postcode="HM42 1"))

    def starts(home):
        found = diary.free_times(home=home, minutes=60, now=NOW, first_on=THURSDAY, days=1)
        return [free.starts_at for free in found]

    town = starts(factories.make_home(postcode="HM1"))
    minute = dt.timedelta(minutes=1)
    # there 70 minutes and 10 to set up: the last start is 9:30; back 80 and 10: the first after is 15:00
    assert max(at for at in town if at < noon) == noon - 150 * minute
    assert min(at for at in town if at > noon) == noon + 180 * minute


def test_legs_of_a_day_say_that_they_go_by_zones(business):
    piet = factories.make_photographer()
    for hour, postcode in ((8, "HM1"), (12, "CO")):
        factories.make_booking(
            photographer=piet, starts_at=dt.datetime(2027, 6, 3, hour, tzinfo=dt.UTC),
            home=factories.make_home(postcode=postcode),
        )  # fmt: skip
    (day,) = diary_days.days(THURSDAY, 1, now=NOW, business=business)
    leg = day.people[0].stops[1]
    assert (leg.leg_minutes, leg.leg_km, leg.leg_from) == (40, None, "by zones")


def test_the_sun_goes_by_the_zones_point_then_by_the_businesss(business):
    business.base_latitude_deg, business.base_longitude_deg = 51.5, -0.1
    fells = sunlight.where(None, business, postcode="hm4 2zz")
    assert fells.point == (54.5, -3.1)
    assert "our zone Fells" in fells.words
    assert sunlight.where(None, business, postcode="CO1").point == (51.5, -0.1)
    assert sunlight.where((50.0, 1.0), business, postcode="HM42").whose == "the home's own map point"
    week = weeks.week(
        home=factories.make_home(postcode="HM42"), minutes=60, now=NOW, business=business, marks_light=True
    )
    assert week.where == fells


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("Hills,,ten,,HL,,", "Line 8: minutes are a whole number from 0 to 360, not 'ten'."),
        ("Hills,,10,,,,", "Line 8: a zone needs the beginnings of its postcodes"),
        ("Hills,,10,,hm4,,", "Line 8: the beginning HM4 belongs to Town already."),
        ("Town,,10,,HL,,", "Line 8: the zone Town stands there already."),
        ("Town,Moon,10,1,,,", "Line 8: no row describes the zone Moon"),
        ("Town,Coast,10,1,,,", "Line 8: the way from Town to Coast stands there already."),
        ("Town,Town,10,1,,,", "Line 8: the way inside a zone stands in the zone's own row"),
        ("Coast,Fells,,1,,,", "Line 8: minutes are a whole number"),
        ("Hills,,10,1.2.3,HL,,", "Line 8: '1.2.3' is not an amount in EUR"),
        ("Hills,,10,-3,HL,,", "Line 8: a fee of -3 can't be meant."),
        ("Hills,,10,,HL,95,3", "Line 8: a latitude lies between -90 and 90 degrees, not 95."),
        ("Hills,,10,,HL,nan,3", "Line 8: a latitude lies between"),
        ("Hills,,10,,HL,54,", "Line 8: a point needs latitude and longitude"),
        (",,10,,HL,,", "Line 8: the zone has no name."),
        ("Hills,,10,,HL,54,3,5", "Line 8: 8 cells under 7 columns."),
        ('Hills,,10,,"HL', "Line 8: the line can't be taken apart"),
    ],
)
def test_a_bad_line_is_named_and_nothing_is_half_imported(business, line, words):
    before = zone_files.write("EUR")
    with pytest.raises(zone_files.BadZones) as caught:
        zone_files.replace_all(TABLE.replace(b"Town,,10", b"Town,,11", 1) + line.encode(), "EUR")
    assert any(problem.startswith(words) for problem in caught.value.problems), caught.value.problems
    assert len(caught.value.problems) == 1
    assert zone_files.write("EUR") == before


def test_all_bad_lines_are_told_at_once_and_other_files_in_words():
    raw = b"zone,to,minutes,fee,prefixes\nA,,x,,AA\nB,,5,,BB\nB,C,5,,\n"
    with pytest.raises(zone_files.BadZones) as caught:
        zone_files.read(raw, "EUR")
    assert [problem[:6] for problem in caught.value.problems] == ["Line 2", "Line 4"]
    for raw, words in (
        (b"", "Line 1: there is no column fee, minutes, prefixes, to, zone."),
        (b"zone,to,minutes,fee,prefixes\nK\xf6ln,,5,,5\n", "Line 2: a letter can't be read."),
        (b"a" * 1_000_001, "larger than 1000 kB"),
    ):
        with pytest.raises(zone_files.BadZones, match=words):
            zone_files.read(raw, "EUR")


def test_what_is_taken_away_can_be_brought_back_also_from_a_table_with_semicolons(business):
    before = zone_files.write("EUR")
    assert before.splitlines()[1:3] == ["Coast,,15,5.00,HM CO,,", "Fells,,,0.00,HM42,54.5,-3.1"]
    assert "Town,Coast" not in before  # like the way back, which stands there
    kept = set(ZoneWay.objects.values_list("start__name", "goal__name", "minutes", "fee_minor"))
    zone_files.replace_all(("\ufeff" + before.replace(",", ";")).encode(), "EUR")
    assert zone_files.write("EUR") == before
    assert set(ZoneWay.objects.values_list("start__name", "goal__name", "minutes", "fee_minor")) == kept


def test_the_owner_brings_a_table_on_its_page_and_nobody_else_does(client, business):
    path = reverse("studio:zones")

    def bring(raw):
        return client.post(path, {"table": SimpleUploadedFile("zones.csv", raw)})

    client.force_login(factories.make_photographer())
    assert bring(TABLE).status_code == 404
    client.force_login(factories.make_owner())
    wrong = bring(TABLE + b"Hills,,ten,,HL,,")
    assert wrong.status_code == 422
    assert "Line 8: minutes are a whole number" in wrong.content.decode()
    assert Zone.objects.count() == 3
    assert bring(b"zone,to,minutes,fee,prefixes\nIsle,,20,,IS\n").status_code == 302
    page = client.get(path).content.decode()
    assert "Isle" in page
    assert "lies in none of these zones" in page
    taken = client.get(reverse("studio:zones-table"))
    assert taken.content.decode().splitlines() == [",".join(zone_files.COLUMNS), "Isle,,20,0.00,IS,,"]
    assert client.post(path).status_code == 422


def test_the_request_page_prices_the_postcode_and_names_the_zones(client, business):
    factories.make_price_list()
    factories.make_opening_hours()
    factories.make_photographer()
    page = client.post(reverse("studio:request-look"), {"postcode": "CO4", "floor_area_m2": "70"})
    text = page.content.decode()
    assert "Travel: Coast" in text
    assert "€18.00" in text
    assert "Town to Coast" in text


def test_the_settings_of_ways_are_explained():
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    rows = (
        "base_postcode", "travel_speed_kmh", "road_factor", "travel_free_km", "travel_minutes_default",
    )  # fmt: skip
    for name in rows:
        default = Business._meta.get_field(name).get_default()
        line = next(line for line in text.splitlines() if line.startswith("|") and f"`{name}`" in line)
        assert str(default) in line
