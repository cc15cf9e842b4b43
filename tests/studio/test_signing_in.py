"""Staff by password, agents by a mailed link, the first owner once."""

import datetime as dt
import re

import pytest
import time_machine
from django.urls import reverse

from studio import defaults, set_up, sign_in_links
from studio.errors import StaleState
from studio.models import Business, Message, OpeningHours, PriceItem, PriceList, SignInLink, Terms, User
from tests import factories
from tests.factories import NOW, PASSWORD

pytestmark = pytest.mark.django_db
SIGN_IN = "/sign-in/"


@pytest.fixture(autouse=True)
def _clock():
    with time_machine.travel(NOW, tick=False):
        yield


def link_path(email):
    (message,) = Message.objects.filter(kind="sign-in", to=email)
    return re.search(r"http://[^/]+(/sign-in/\S+)", message.body)[1]


def test_staff_sign_in_with_address_in_any_case_and_land_where_they_wanted(client):
    user = factories.make_photographer(email="piet@plumb-lantern.example")
    response = client.post(
        SIGN_IN, {"email": "Piet@Plumb-Lantern.example", "password": PASSWORD, "next": "/bookings/"}
    )
    assert response.url == "/bookings/"
    assert client.session["_auth_user_id"] == str(user.pk)


@pytest.mark.parametrize("next_path", ["https://evil.example/", "//evil.example/", "javascript:alert(1)"])
def test_signing_in_never_leads_to_another_site(client, next_path):
    user = factories.make_photographer()
    response = client.post(SIGN_IN, {"email": user.email, "password": PASSWORD, "next": next_path})
    assert response.url == "/"


def test_a_wrong_password_says_what_to_look_at(client):
    user = factories.make_photographer()
    response = client.post(SIGN_IN, {"email": user.email, "password": "something else"})
    assert response.status_code == 422
    assert "don&#x27;t fit together" in response.content.decode()


def test_too_many_wrong_passwords_lock_with_words_and_the_right_one_waits_too(client, settings):
    user = factories.make_photographer()
    for _ in range(settings.AXES_FAILURE_LIMIT):
        client.post(SIGN_IN, {"email": user.email, "password": "guess"})
    response = client.post(SIGN_IN, {"email": user.email, "password": PASSWORD})
    assert response.status_code == 429
    assert "Locked for a while" in response.content.decode()
    other = factories.make_photographer()
    assert client.post(SIGN_IN, {"email": other.email, "password": PASSWORD}).status_code == 302


def test_who_may_not_sign_in_any_more_stays_out(client):
    user = factories.make_photographer(is_active=False)
    assert client.post(SIGN_IN, {"email": user.email, "password": PASSWORD}).status_code == 422


def test_the_answer_is_the_same_whether_or_not_the_address_is_known(client):
    factories.make_owner()
    agent = factories.make_client()
    pages = []
    for email in (agent.email, "nobody@mill.example"):
        response = client.post(reverse("studio:sign-in-link"), {"link-email": email})
        pages.append((response.status_code, response.content.decode().replace(email, "it")))
    assert pages[0] == pages[1]
    assert Message.objects.count() == 1


def test_the_mailed_link_signs_in_once_by_its_button(client):
    agent = factories.make_client()
    sign_in_links.send(agent.email.upper(), next_path="/request/", now=NOW)
    path = link_path(agent.email)
    assert client.get(path).status_code == 200
    assert "client" not in client.session  # looking (also by a mail scanner) does nothing
    assert client.post(path).url == "/request/"
    assert client.session["client"] == str(agent.public_id)
    assert client.post(path).status_code == 410


def test_a_link_older_than_half_an_hour_is_over(client):
    agent = factories.make_client()
    sign_in_links.send(agent.email, now=NOW)
    with time_machine.travel(NOW + sign_in_links.LASTS, tick=False):
        assert client.post(link_path(agent.email)).status_code == 410
    assert "client" not in client.session


def test_another_links_token_does_not_fit(client):
    first, second = factories.make_client(), factories.make_client()
    for agent in (first, second):
        sign_in_links.send(agent.email, now=NOW)
    token = link_path(second.email).rstrip("/").rsplit("/", 1)[1]
    link = SignInLink.objects.get(client=first)
    assert client.post(reverse("studio:sign-in-open", args=[link.public_id, token])).status_code == 404


def test_links_are_not_mailed_without_end(client):
    agent = factories.make_client()
    codes = [
        client.post(reverse("studio:sign-in-link"), {"link-email": agent.email}).status_code for _ in range(6)
    ]
    assert codes == [200] * 5 + [429]


def test_one_session_is_never_both_staff_and_agent(client):
    agent, user = factories.make_client(), factories.make_photographer()
    factories.sign_in_client(client, agent)
    client.post(SIGN_IN, {"email": user.email, "password": PASSWORD})
    assert "client" not in client.session
    sign_in_links.send(agent.email, now=NOW)
    client.post(link_path(agent.email))
    assert "_auth_user_id" not in client.session


ANSWERS = {
    "business_name": "Plumb & Lantern", "currency": "eur", "time_zone": "Europe/London",
    "name": "Odile Marsh", "email": "Odile@plumb-lantern.example", "password": "nine windows facing north",
}  # fmt: skip


def test_the_first_visitor_at_this_machine_sets_up_owner_and_business(client):
    assert client.get("/").url == reverse("studio:set-up")
    response = client.post(reverse("studio:set-up"), ANSWERS)
    assert response.url == "/"
    owner, business = User.objects.get(), Business.current()
    assert (owner.role, owner.email, business.name) == (
        "owner",
        "odile@plumb-lantern.example",
        "Plumb & Lantern",
    )
    assert (business.currency, business.time_zone, business.set_up_at) == ("EUR", "Europe/London", NOW)
    assert PriceItem.objects.filter(kind="base").count() >= 3
    assert client.get("/").status_code == 200


def test_set_up_is_closed_once_there_is_an_account(client):
    factories.make_owner()
    assert client.post(reverse("studio:set-up"), ANSWERS).url == SIGN_IN
    with pytest.raises(StaleState):
        set_up.make_first_owner(
            name="Eve", email="eve@mill.example", password=PASSWORD, business_name="Mine", currency="EUR",
            time_zone="UTC", now=NOW,
        )  # fmt: skip
    assert User.objects.count() == 1
    assert Business.current().name != "Mine"


@pytest.mark.parametrize(
    "meta",
    [{"REMOTE_ADDR": "203.0.113.7"}, {"HTTP_X_FORWARDED_FOR": "203.0.113.7"}, {"HTTP_HOST": "127.0.0.1.nip"}],
)
def test_from_elsewhere_set_up_needs_the_address_that_serve_prints(client, settings, meta):
    settings.ALLOWED_HOSTS = ["*"]
    assert client.post(reverse("studio:set-up"), ANSWERS, **meta).status_code == 403
    assert not User.objects.exists()
    path = set_up.address().removeprefix(settings.PUBLIC_URL)
    assert client.post(path[:-2] + "x/", ANSWERS, **meta).status_code == 403
    assert client.post(path, ANSWERS, **meta).status_code == 302
    assert User.objects.exists()


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"currency": "XYZ"}, "currency"),
        ({"password": "short"}, "password"),
        ({"time_zone": "Mars"}, "time_zone"),
    ],
)
def test_set_up_names_the_answer_that_does_not_work(client, changed, field):
    response = client.post(reverse("studio:set-up"), ANSWERS | changed)
    assert list(response.context["form"].errors) == [field]
    assert not User.objects.exists()


def test_defaults_are_made_once_and_never_over_what_the_owner_has():
    factories.make_business(preparation_guide="Ours")
    factories.make_terms(text="Ours")
    defaults.ensure(now=NOW)
    defaults.ensure(now=NOW)
    assert (Business.current().preparation_guide, Terms.objects.get().text) == ("Ours", "Ours")
    assert (PriceList.objects.count(), OpeningHours.objects.count()) == (1, 6)


def test_stale_links_do_not_reveal_more_than_their_name(client):
    agent = factories.make_client()
    link = sign_in_links.send(agent.email, now=NOW)
    SignInLink.objects.filter(pk=link.pk).update(used_at=NOW - dt.timedelta(minutes=1))
    page = client.get(link_path(agent.email)).content.decode()
    assert agent.name not in page
