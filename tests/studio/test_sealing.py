"""Access notes: sealed with a key that is not in the database."""

from __future__ import annotations

import datetime as dt
import os
import stat
from pathlib import Path
from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.core.exceptions import ImproperlyConfigured

from studio import access_notes, sealing, sweep
from studio.models import AccessNote, Booking, Event
from tests.factories import NOW, make_booking, make_business


@pytest.fixture(autouse=True)
def _own_key(settings: Any, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path
    settings.ACCESS_KEY = ""


def test_what_is_sealed_opens_again_and_can_not_be_read_without_the_key(tmp_path: Path) -> None:
    sealed = sealing.seal("Lock code 4711, ключ under the pot")
    assert b"4711" not in sealed
    assert sealing.unseal(memoryview(sealed)) == "Lock code 4711, ключ under the pot"
    # A second library's reading of the same token: the key file holds a plain Fernet key.
    key = (tmp_path / sealing.KEY_FILE).read_text()
    assert Fernet(key).decrypt(sealed).decode() == "Lock code 4711, ключ under the pot"


@pytest.mark.skipif(os.name != "posix", reason="rights are posix's")
def test_the_key_file_is_its_owners_alone(tmp_path: Path) -> None:
    sealing.seal("x")
    assert stat.S_IMODE((tmp_path / sealing.KEY_FILE).stat().st_mode) == 0o600


def test_another_key_says_so_and_what_to_do(settings: Any) -> None:
    sealed = sealing.seal("x")
    settings.ACCESS_KEY = Fernet.generate_key().decode()
    with pytest.raises(sealing.CannotUnseal, match="another key.*Nothing is lost"):
        sealing.unseal(sealed)


def test_a_changed_token_is_refused() -> None:
    sealed = bytearray(sealing.seal("x"))
    sealed[40] ^= 1
    with pytest.raises(sealing.CannotUnseal):
        sealing.unseal(bytes(sealed))


def test_a_key_can_be_changed_while_the_old_one_still_opens(settings: Any, tmp_path: Path) -> None:
    sealed = sealing.seal("old")
    old, new = (tmp_path / sealing.KEY_FILE).read_text(), Fernet.generate_key().decode()
    settings.ACCESS_KEY = f"{new},{old}"
    assert sealing.unseal(sealed) == "old"
    assert Fernet(new).decrypt(sealing.seal("new")) == b"new"


def test_a_key_that_is_none_is_explained(settings: Any) -> None:
    settings.ACCESS_KEY = "secret"
    with pytest.raises(ImproperlyConfigured, match="32 random bytes"):
        sealing.seal("x")


@pytest.mark.django_db
@pytest.mark.parametrize(("days", "is_wiped"), [(7, False), (9, True)])
def test_notes_are_wiped_some_days_after_the_visit(days: int, is_wiped: bool) -> None:
    make_business(access_note_days=7)
    booking = make_booking()
    access_notes.write(booking, "Lock code 4711", by=None, now=NOW)
    sweep.wipe_access_notes(NOW + dt.timedelta(days=days))
    note = AccessNote.objects.get(booking=booking)
    assert (note.wiped_at is not None) is is_wiped
    assert (bytes(note.sealed) == b"") is is_wiped
    assert Event.objects.filter(booking=booking, verb="wiped the access note").exists() is is_wiped


@pytest.mark.django_db
def test_notes_of_called_off_visits_are_wiped_too() -> None:
    make_business(access_note_days=7)
    booking = make_booking(starts_at=None, state=Booking.State.CALLED_OFF)
    Booking.objects.update(changed_at=NOW)
    access_notes.write(booking, "Lock code 4711", by=None, now=NOW)
    assert sweep.wipe_access_notes(NOW + dt.timedelta(days=6)) == 0
    assert sweep.wipe_access_notes(NOW + dt.timedelta(days=8)) == 1
    assert sweep.wipe_access_notes(NOW + dt.timedelta(days=8)) == 0
