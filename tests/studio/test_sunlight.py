"""The sun in the app's words: the marks of free times, whose point was used, the page with the strip.

Heights and times of the sun itself are checked in tests/processing/test_sun.py; those of Denver here are
the same published ones (values/sun.json).
"""

import datetime as dt
import re
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db.models.fields import NOT_PROVIDED
from django.urls import reverse

from studio import defaults, sun_strip, sunlight, weeks
from studio.forms.places import DirectionField, HomeForm, PointField
from studio.models import Booking, BookingRequest, Business, Message
from tests import factories
from tests.factories import NOW
from tests.studio.test_asking import answers, link_in
from tests.studio.test_house import values_of

pytestmark = pytest.mark.django_db
DENVER = {"latitude_deg": 39.7392, "longitude_deg": -104.9903}
ON = dt.date(2026, 6, 21)


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def owner(client):
    factories.make_business(base_latitude_deg=51.5074, base_longitude_deg=-0.1278)
    factories.make_price_list()
    defaults.ensure(now=NOW)
    factories.make_photographer()
    user = factories.make_owner()
    client.force_login(user)
    return user


def light_in_denver(bearing_deg, **changed):
    business = factories.make_business(time_zone="America/Denver", **changed)
    home = factories.make_home(front_bearing_deg=bearing_deg, **DENVER)
    return sunlight.of_home(home, ON, business)


def test_the_reason_names_the_front_and_both_its_spans():
    light = light_in_denver(0.0)
    assert light.front_words == "Front faces north: in the sun 5:34–9:08 and 16:56–20:30"
    assert light.sentence.startswith("Front faces north: in the sun 5:34–9:08 and 16:56–20:30; golden light ")
    assert (
        "blue light 5:00–5:12 and 20:51–21:04" in light.sentence or "blue light 4:59–5:12" in light.sentence
    )


def test_a_time_is_marked_when_its_visit_has_enough_of_the_light():
    light = light_in_denver(270.0, outside_minutes=20)  # lit from 13:02
    noon = dt.datetime(2026, 6, 21, 12, 0, tzinfo=ZoneInfo("America/Denver"))
    assert light.marks(noon, noon + dt.timedelta(minutes=75)) == ()
    assert light.marks(noon, noon + dt.timedelta(minutes=85)) == ("sun",)
    # the whole of a blue window that is shorter than asked for is enough
    evening = noon + dt.timedelta(hours=8, minutes=45)
    assert light.marks(evening, evening + dt.timedelta(minutes=30)) == ("blue",)


def test_the_owners_figures_decide_what_counts_as_lit_and_golden():
    wide = light_in_denver(180.0)
    narrow = light_in_denver(180.0, sun_angle_deg=45, golden_from_deg=10)
    assert narrow.day.front[0].begin > wide.day.front[0].begin
    assert narrow.day.golden[0].end > wide.day.golden[0].end
    assert light_in_denver(180.0, sun_angle_deg=45, sun_above_deg=60).day.front[0].length_s < 7200 * 3


def test_without_the_homes_point_the_businesss_stands_in_and_without_both_nothing_is_said():
    business = factories.make_business(base_latitude_deg=51.5074, base_longitude_deg=-0.1278)
    own = factories.make_home(**DENVER)
    assert sunlight.where(own.point, business).whose == "the home's own map point"
    spot = sunlight.where(factories.make_home().point, business)
    assert (spot.point, "our own place" in spot.words) == ((51.5074, -0.1278), True)
    assert "51" not in spot.words  # strangers read it, and it may be where the owner lives
    bare = Business(time_zone="Europe/London")
    assert sunlight.of_home(factories.make_home(front_bearing_deg=90.0), ON, bare) is None


def test_high_latitudes_are_said_in_words():
    business = factories.make_business(time_zone="Europe/Oslo")
    home = factories.make_home(latitude_deg=69.6492, longitude_deg=18.9553, front_bearing_deg=180.0)
    assert "the sun does not set" in sunlight.of_home(home, ON, business).sentence
    winter = sunlight.of_home(home, dt.date(2026, 12, 21), business).sentence
    assert winter.startswith("Front faces south: not in the sun that day; the sun does not rise; golden")


@pytest.mark.parametrize(
    ("text", "degrees"),
    [("SW", 225.0), ("south-west", 225.0), ("north", 0.0), ("wnw", 292.5), ("231 °", 231.0), ("360", 0.0),
     ("12,5", 12.5), ("", None), ("unknown", None)],
)  # fmt: skip
def test_a_direction_is_read_as_people_write_it(text, degrees):
    assert DirectionField(required=False).clean(text) == degrees


@pytest.mark.parametrize("text", ["upwards", "-10", "361", "nan", "inf"])
def test_what_is_no_direction_is_refused_with_an_example(text):
    with pytest.raises(ValidationError, match="south-west or SW"):
        DirectionField(required=False).clean(text)


@pytest.mark.parametrize(
    ("text", "point"),
    [  # the first four are RFC 5870's own (sections 1, 3.4.2, 6.1)
        ("geo:13.4125,103.8667", (13.4125, 103.8667)),
        ("geo:48.2010,16.3695,183", (48.2010, 16.3695)),
        ("geo:48.198634,16.371648;crs=wgs84;u=40", (48.198634, 16.371648)),
        ("geo:90,-22.43;crs=WGS84", (90.0, -22.43)),
        ("54.120, -2.460", (54.12, -2.46)),
        ("GEO:54.12,-2.46?z=17", (54.12, -2.46)),
    ],
)
def test_a_point_is_read_as_a_geo_link_or_as_two_numbers(text, point):
    assert PointField(required=False).clean(text) == point


@pytest.mark.parametrize("text", ["geo:91,0", "geo:323482,4306480;crs=EPSG:32618;u=20", "geo:1,2;crs=mars",
                                  "54.12, -2.46 or so"])  # fmt: skip
def test_what_is_no_point_on_this_earth_is_refused(text):
    with pytest.raises(ValidationError, match="not a map point"):
        PointField(required=False).clean(text)


def ask(client, **changed):
    values = {"extras": ["outside"], "front": "SW", "floor_area_m2": "95", "bedrooms": "3", "bathrooms": "2",
              "minutes": "1", "light": ""}  # fmt: skip
    return client.post(reverse("studio:request-look"), values | changed).content.decode()


def test_the_request_page_marks_times_only_when_pictures_of_the_outside_are_wanted(client, owner):
    page = ask(client)
    assert "Front faces south-west: in the sun" in page
    assert "<small>sun</small>" in page
    assert "our own place, as the home&#x27;s map point is not known" in page
    assert "<small>" not in ask(client, extras=["details"])
    assert "the home&#x27;s own map point" in ask(client, point="geo:54.12,-2.46")
    assert "not known which way the front faces" in ask(client, front="")


def test_times_are_shown_anew_when_the_front_changes_though_the_visit_is_as_long(client, owner):
    first = ask(client)
    kept = {name: re.search(f'name="{name}" value="([^"]*)"', first)[1] for name in ("minutes", "light")}
    assert 'id="times"' not in ask(client, **kept)
    assert 'id="times"' in ask(client, **kept | {"front": "NE"})


def test_the_front_goes_with_the_request_to_the_home(client, owner):
    client.logout()
    client.post(reverse("studio:request"), answers(front="south-west", point="geo:54.12,-2.46"))
    assert BookingRequest.objects.exists()
    client.post(link_in(Message.objects.get(kind="confirm-request")))
    home = Booking.objects.get().home
    assert (home.front_bearing_deg, home.point) == (225.0, (54.12, -2.46))


def test_staff_correct_the_front_and_a_copied_home_keeps_it(client, owner):
    booking = factories.make_booking(home=factories.make_home(front_bearing_deg=231.0, **DENVER))
    form = HomeForm(instance=booking.home)
    assert (form["front"].value(), form["point"].value()) == ("231", "39.739200, -104.990300")
    page = client.get(reverse("studio:booking-enter"), {"again": booking.public_id}).content.decode()
    assert 'value="231"' in page
    assert "39.739200" in page


def test_staff_set_a_free_time_with_its_light_before_them(client, owner):
    booking = factories.make_booking(
        starts_at=None, ends_at=None, state="asked", wants_outside=True, photographer=None,
        home=factories.make_home(front_bearing_deg=180.0),
    )  # fmt: skip
    page = client.get(reverse("listings:booking", args=[booking.public_id])).content.decode()
    value = re.search(r'name="when-chosen" value="(2027[^"]+)"', page)[1]
    assert "Front faces south: in the sun" in page
    client.post(
        reverse("studio:booking-time", args=[booking.public_id]), {"when-chosen": value, "act": "set"}
    )
    booking.refresh_from_db()
    assert (booking.state, booking.starts_at) == ("agreed", dt.datetime.fromisoformat(value))


def test_the_page_of_a_bookings_sun_has_strip_words_and_the_visit(client, owner):
    booking = factories.make_booking(home=factories.make_home(front_bearing_deg=225.0, **DENVER))
    response = client.get(reverse("studio:booking-sun", args=[booking.public_id]))
    page = response.content.decode()
    assert response.context["spot"].whose == "the home's own map point"
    assert response.context["light"].sentence in page.replace("&#x27;", "'")  # said of the drawing too
    assert page.count('class="visit"') == 2  # wide and narrow
    assert 'role="img"' in page
    assert " style=" not in page  # the content security policy would drop it
    assert "<script>" not in page
    linked = client.get(reverse("listings:booking", args=[booking.public_id])).content.decode()
    assert reverse("studio:booking-sun", args=[booking.public_id]) in linked


def test_the_page_takes_any_place_day_and_clock_and_says_what_it_can_not_read(client, owner):
    asked = {"on": "2026-06-21", "point": "geo:39.7392,-104.9903", "front": "N", "zone": "America/Denver"}
    response = client.get(reverse("studio:sun"), asked)
    assert response.context["light"].front_words.endswith("5:34–9:08 and 16:56–20:30")
    assert "the map point written here" in response.content.decode()
    wrong = client.get(reverse("studio:sun"), asked | {"point": "somewhere", "on": "x"})
    assert wrong.status_code == 200
    assert "not a map point" in wrong.content.decode()
    Business.objects.update(base_latitude_deg=None)
    assert "No place is known yet" in client.get(reverse("studio:sun")).content.decode()


@pytest.mark.parametrize("on", [dt.date(2027, 3, 28), dt.date(2027, 10, 31)])
def test_hours_of_the_strip_stand_where_the_clocks_show_them(on):
    """On the days of 23 and 25 hours noon lies off the middle, towards the side that lost or gained."""
    business = factories.make_business(base_latitude_deg=51.5, base_longitude_deg=0.0)
    spot = sunlight.where(None, business)
    wide, narrow = sun_strip.strips(sunlight.light(spot, on, bearing_deg=None, business=business).day)
    noon = next(tick.x for tick in wide.ticks if tick.label == "12")
    assert noon == pytest.approx(960 * (11 / 23 if on.month == 3 else 13 / 25), abs=0.1)
    assert (wide.front, narrow.width, len(narrow.ticks)) == (None, 480, 7)
    assert wide.light[0].width == 960


def test_the_light_of_a_week_needs_one_query_for_the_zones_whatever_the_days(
    owner, django_assert_num_queries
):
    business = Business.current()
    home = factories.make_home(front_bearing_deg=180.0)
    for marks_light in (False, True):
        with django_assert_num_queries(9 if marks_light else 8):
            found = weeks.week(home=home, minutes=60, now=NOW, business=business, marks_light=marks_light)
    assert found.days[0].light is not None


def test_golden_light_must_lie_above_blue(client, owner):
    path = reverse("studio:settings")
    values = values_of(client.get(path).context["form"])
    response = client.post(path, values | {"golden_to_deg": "-8"})
    assert response.status_code != 302
    assert "Golden light lies above blue" in response.content.decode()


def test_every_figure_of_the_light_is_explained_with_its_default():
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    for field in Business._meta.get_fields():
        if field.name.startswith(("sun_", "golden_", "blue_", "outside_", "base_")):
            (row,) = [
                line for line in text.splitlines() if line.startswith("|") and f"`{field.name}`" in line
            ]
            names = row.split("|")[1].replace("`", "").replace(" ", "").split(",")
            if field.default is not NOT_PROVIDED:
                told = row.split("|")[3].replace(" ", "").split(",")
                assert float(told[names.index(field.name)]) == field.default
