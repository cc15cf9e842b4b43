"""A time is kept for a while for a confirmed mail address only, and never for long nor for many."""

import datetime as dt
from pathlib import Path

import pytest
import time_machine
from django.core.cache import cache
from django.urls import reverse

from studio import arranging, diary, holding, sweep
from studio.errors import NotFree
from studio.models import Booking, Business, Hold
from tests import factories
from tests.factories import NOW
from tests.studio.test_asking import TEN, answers

pytestmark = pytest.mark.django_db
LATER = NOW + dt.timedelta(minutes=20)


@pytest.fixture(autouse=True)
def _clock():
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def piet():
    factories.make_business()
    factories.make_price_list()
    factories.make_opening_hours()
    return factories.make_photographer()


@pytest.fixture
def agent(piet):
    return factories.make_client()


def keep(client, starts_at=TEN, **changed):
    values = {"minutes": 60, "asked_from": "192.0.2.7", "now": NOW}
    return holding.keep(client, factories.make_home(), starts_at, **(values | changed))


def is_free(starts_at=TEN, now=NOW, **more):
    found = diary.free_times(home=None, minutes=60, now=now, **more)
    return starts_at in [free.starts_at for free in found]


def test_a_kept_time_is_free_for_its_holder_only_and_for_all_after_twenty_minutes(agent):
    assert keep(agent).held_until == LATER
    assert not is_free()
    assert is_free(holder=agent)
    assert not is_free(now=LATER - dt.timedelta(seconds=1))
    assert is_free(now=LATER)
    Business.objects.update(hold_minutes=5)
    assert keep(factories.make_client(), TEN + dt.timedelta(hours=3)).held_until == NOW + dt.timedelta(
        minutes=5
    )


def test_nobody_else_takes_or_keeps_it_meanwhile_and_staff_are_told_until_when(agent, piet):
    keep(agent)
    booking = factories.make_booking(photographer=None, starts_at=None, state="asked")
    with pytest.raises(NotFree, match=r"10:00 to 11:00 with Piet is kept until 9:20|is kept until 09:20"):
        diary.take(booking, TEN, piet, now=NOW)
    with pytest.raises(NotFree, match="is kept until"):
        keep(factories.make_client())
    diary.take(booking, TEN, piet, now=LATER)
    with pytest.raises(NotFree, match="another visit"):
        keep(factories.make_client(), now=LATER)


def test_the_way_to_the_kept_home_is_kept_free_too(agent):
    keep(agent)
    # an hour from ten, 20 minutes of way and 10 to set up around it
    assert not is_free(TEN + dt.timedelta(hours=1))
    assert is_free(TEN + dt.timedelta(hours=1, minutes=30))


def test_two_at_once_for_an_address_and_a_page_that_chooses_anew_moves_its_own(agent):
    first = keep(agent)
    afternoon, next_day = TEN + dt.timedelta(hours=3), TEN + dt.timedelta(days=1)
    assert keep(agent, afternoon) is not None
    assert keep(agent, next_day) is None
    assert Hold.objects.count() == 2
    moved = keep(agent, next_day, in_place_of=first.public_id)
    assert (moved.pk, moved.starts_at) == (first.pk, next_day)
    assert is_free(TEN)
    assert keep(agent, next_day + dt.timedelta(hours=3), now=LATER) is not None  # both have ended


def test_choosing_the_same_time_again_keeps_it_no_longer(agent):
    first = keep(agent)
    then = NOW + dt.timedelta(minutes=15)
    assert keep(agent, in_place_of=first.public_id, now=then).held_until == LATER
    longer = keep(agent, in_place_of=first.public_id, now=then, minutes=90)
    assert (longer.held_until, longer.ends_at) == (LATER, TEN + dt.timedelta(minutes=90))


def test_another_agents_hold_can_not_be_moved_nor_ended(agent):
    first = keep(agent)
    other = factories.make_client()
    holding.release(other, first.public_id)
    keep(other, TEN + dt.timedelta(hours=3), in_place_of=first.public_id)
    first.refresh_from_db()
    assert (first.client, first.starts_at) == (agent, TEN)


@pytest.mark.parametrize("field", ["holds_a_day", "holds_a_day_from_network"])
def test_limits_of_a_day_by_address_and_by_network(agent, field):
    Business.objects.update(**{field: 2})
    others = [agent, agent, agent] if field == "holds_a_day" else [factories.make_client() for _ in range(3)]
    kept = []
    for client in others:
        Hold.objects.all().delete()
        kept.append(keep(client) is not None)
    assert kept == [True, True, False]


def test_the_page_keeps_the_time_that_a_signed_in_agent_chooses_and_sending_takes_it(client, agent, piet):
    look = reverse("studio:request-look")
    client.post(look, answers())
    assert not Hold.objects.exists()  # a stranger's address is not confirmed
    factories.sign_in_client(client, agent)
    page = client.post(look, answers()).content.decode()
    hold = Hold.objects.get()
    assert "Thursday 3 June, 10:00 is kept for you until 9:20" in page
    assert f'name="hold" value="{hold.public_id}"' in page
    assert (hold.client, hold.photographer, hold.postcode) == (agent, piet, "HM4 2")
    client.post(look, answers(hold=str(hold.public_id), starts_at=""))
    assert not Hold.objects.exists()
    client.post(look, answers())
    client.post(reverse("studio:request"), answers(hold=str(Hold.objects.get().public_id)))
    assert Booking.objects.get().starts_at == TEN
    assert not Hold.objects.exists()


def test_a_time_that_went_meanwhile_is_said_at_once_with_the_next_free_ones(client, agent, piet):
    factories.make_booking(photographer=piet, starts_at=TEN)
    factories.sign_in_client(client, agent)
    elsewhere = answers(shown="2027-06-10")  # the chosen day is not among those shown
    page = client.post(reverse("studio:request-look"), elsewhere).content.decode()
    assert "The time you chose is not free" in page
    assert "2027-06-10T" in page
    assert not Hold.objects.exists()


def test_the_page_says_when_no_more_times_are_kept_and_the_request_still_goes(client, agent):
    Business.objects.update(holds_at_once=0)
    factories.sign_in_client(client, agent)
    page = client.post(reverse("studio:request-look"), answers()).content.decode()
    assert "The time isn&#x27;t kept while you write" in page or "The time isn't kept while you write" in page
    client.post(reverse("studio:request"), answers(hold="not one"))
    assert Booking.objects.get().starts_at == TEN


def test_a_client_takes_a_time_over_its_own_hold_and_ended_ones_are_swept(agent):
    keep(agent)
    booking = factories.make_booking(client=agent, photographer=None, starts_at=None, state="asked")
    arranging.choose(booking, TEN, by=agent, now=NOW)
    assert booking.starts_at == TEN
    sweep.run(LATER)
    assert not Hold.objects.exists()


def test_the_figures_of_holds_are_explained():
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    for name in ("hold_minutes", "holds_at_once", "holds_a_day", "holds_a_day_from_network"):
        line = next(line for line in text.splitlines() if line.startswith("|") and f"`{name}`" in line)
        assert str(Business._meta.get_field(name).get_default()) in line.split("|")[3]
