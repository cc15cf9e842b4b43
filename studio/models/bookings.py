"""Bookings and the diary rows that guard them."""

from __future__ import annotations

import datetime as dt
import re
import uuid
from decimal import Decimal

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import models
from django.utils import timezone

from .querysets import BookingQuerySet


class Booking(models.Model):
    """One job: a home, a client, a visit, its prices; its pictures and invoice hang on it.

    The moves between states are in `studio.booking_states`, nowhere else.
    """

    class State(models.TextChoices):
        ASKED = "asked", "Asked for"
        HELD = "held", "Held"
        AGREED = "agreed", "Agreed"
        UNDER_WAY = "under_way", "Under way"
        VISITED = "visited", "Visited"
        SENT = "sent", "Sent"
        CLOSED = "closed", "Closed"
        CALLED_OFF = "called_off", "Called off"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    home = models.ForeignKey("Property", on_delete=models.PROTECT, related_name="bookings")
    client = models.ForeignKey("Client", on_delete=models.PROTECT, related_name="bookings")
    photographer = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="bookings"
    )
    follows = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="second_visits",
        help_text="The first visit, when this one is for the outside pictures that were put off.",
    )  # fmt: skip
    state = models.CharField(max_length=16, choices=State.choices, default=State.ASKED)
    starts_at = models.DateTimeField(null=True, blank=True)
    ends_at = models.DateTimeField(null=True, blank=True)
    held_until = models.DateTimeField(null=True, blank=True)
    wishes = models.TextField(blank=True)
    access_contact = models.CharField(max_length=200, blank=True)
    wants_outside = models.BooleanField(default=False)
    terms = models.ForeignKey("Terms", null=True, blank=True, on_delete=models.PROTECT)
    terms_accepted_at = models.DateTimeField(null=True, blank=True)
    calendar_sequence = models.PositiveIntegerField(default=0)
    household_ready_at = models.DateTimeField(
        null=True, blank=True, help_text="When the people who live there said that the home is ready."
    )
    reminded_for = models.DateTimeField(
        null=True, blank=True, help_text="The time of the visit that the reminder was sent for."
    )
    called_off_reason = models.CharField(max_length=300, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    changed_at = models.DateTimeField(auto_now=True)

    objects = BookingQuerySet.as_manager()

    class Meta:
        ordering = ["starts_at", "pk"]
        indexes = [models.Index(fields=["photographer", "starts_at"]), models.Index(fields=["state"])]

    def __str__(self) -> str:
        return f"{self.home} for {self.client.name}"

    @property
    def number(self) -> str:
        """The short name that people say on the telephone."""
        return f"B{self.pk:04d}"

    @property
    def contact_email(self) -> str:
        """The mail address among the words on who opens the door; empty when there is none."""
        for word in re.split(r"[\s,;:<>()]+", self.access_contact):
            try:
                validate_email(word.rstrip("."))
            except ValidationError:
                continue
            return word.rstrip(".")
        return ""

    @property
    def length(self) -> dt.timedelta | None:
        return self.ends_at - self.starts_at if self.starts_at and self.ends_at else None


class BookingRequest(models.Model):
    """What a visitor asked for, before the mail address is known to be theirs.

    The button behind the mailed link (or a member of staff) turns it into a booking; one that nobody
    confirms ends by itself and takes no time from anybody.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=120)
    email = models.EmailField()
    answers = models.JSONField(help_text="The request as it was sent, its price lines among it.")
    wanted_at = models.DateTimeField(null=True, blank=True)
    terms = models.ForeignKey("Terms", null=True, blank=True, on_delete=models.PROTECT)
    terms_accepted_at = models.DateTimeField(null=True, blank=True)
    asked_from = models.GenericIPAddressField(null=True, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    declined_at = models.DateTimeField(null=True, blank=True)
    booking = models.OneToOneField(
        Booking, null=True, blank=True, on_delete=models.SET_NULL, related_name="request"
    )

    class Meta:
        ordering = ["-created_at"]
        indexes = [
            models.Index(fields=["email", "created_at"]),
            models.Index(fields=["asked_from", "created_at"]),
        ]

    def __str__(self) -> str:
        return f"request of {self.name}"

    def is_open(self, now: dt.datetime) -> bool:
        return self.booking_id is None and self.declined_at is None and now < self.expires_at


class BookingLine(models.Model):
    """One price line as it was quoted: never looked up again."""

    booking = models.ForeignKey(Booking, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField(default=0)
    code = models.SlugField(max_length=40, blank=True)
    description = models.CharField(max_length=240)
    quantity = models.DecimalField(max_digits=9, decimal_places=2, default=Decimal(1))
    unit_minor = models.IntegerField()
    tax_name = models.CharField(max_length=60, blank=True)
    tax_percent = models.DecimalField(max_digits=6, decimal_places=3, default=Decimal(0))
    tax_category = models.CharField(max_length=2, default="S")
    minutes = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "pk"]

    def __str__(self) -> str:
        return self.description


class Day(models.Model):
    """One photographer's day: the row that taking a slot locks."""

    photographer = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE)
    on = models.DateField()
    takings = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["photographer", "on"], name="one_day_row")]

    def __str__(self) -> str:
        return f"{self.photographer} on {self.on}"


class OpeningHours(models.Model):
    """When visits may take place on a weekday (0 = Monday); for everyone, or for one photographer instead."""

    photographer = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.CASCADE
    )
    weekday = models.PositiveSmallIntegerField()
    opens = models.TimeField()
    closes = models.TimeField()

    class Meta:
        ordering = ["weekday", "opens"]
        verbose_name_plural = "opening hours"

    def __str__(self) -> str:
        return f"day {self.weekday}: {self.opens:%H:%M} to {self.closes:%H:%M}"


class DayOff(models.Model):
    """Days on which a photographer (or nobody at all) works."""

    photographer = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.CASCADE
    )
    first_on = models.DateField()
    last_on = models.DateField()
    reason = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["first_on"]
        verbose_name_plural = "days off"

    def __str__(self) -> str:
        return f"{self.first_on} to {self.last_on}"


class AccessNote(models.Model):
    """How to get in; encrypted with a key that is not in the database, wiped after the visit."""

    booking = models.OneToOneField(Booking, on_delete=models.CASCADE, related_name="access_note")
    sealed = models.BinaryField()
    written_at = models.DateTimeField(default=timezone.now)
    wiped_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"access note of {self.booking_id}"
