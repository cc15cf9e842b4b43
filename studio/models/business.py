"""The business itself: one row that the owner edits, and the terms it works by."""

from __future__ import annotations

import re
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils import timezone


def validate_minutes(text: str) -> None:
    """Accept up to five numbers of minutes with commas between them."""
    if not re.fullmatch(r"\s*[1-9]\d{0,2}\s*(,\s*[1-9]\d{0,2}\s*){0,4}", text, re.ASCII):
        raise ValidationError("Up to five numbers of minutes with commas, such as: 10, 20, 30.")


class Business(models.Model):
    """Name, address, habits and numbers of the business: exactly one row, `Business.current()`."""

    name = models.CharField(max_length=160)
    address = models.TextField(blank=True, help_text="As it should stand on invoices, one line each.")
    country_code = models.CharField(max_length=2, blank=True, help_text="Two letters, ISO 3166-1.")
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    website = models.URLField(blank=True)
    tax_id = models.CharField(max_length=40, blank=True)
    currency = models.CharField(max_length=3, default="USD", help_text="Three letters, ISO 4217.")
    time_zone = models.CharField(max_length=60, default="UTC")
    prices_include_tax = models.BooleanField(default=False)
    invoice_series = models.CharField(max_length=8, default="I")
    credit_series = models.CharField(max_length=8, default="C")
    payment_days = models.PositiveSmallIntegerField(default=14)
    payment_details = models.TextField(blank=True, help_text="How to pay, as it should stand on invoices.")
    iban = models.CharField(max_length=34, blank=True)
    bic = models.CharField(max_length=11, blank=True)
    invoice_note = models.TextField(blank=True)
    logo = models.FileField(upload_to="business/", blank=True)
    licence_text = models.TextField(
        blank=True,
        help_text="What the client may do with the pictures; shown in the gallery and in each file.",
    )
    licence_months = models.PositiveSmallIntegerField(default=12)
    base_latitude_deg = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(-90), MaxValueValidator(90)]
    )
    base_longitude_deg = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(-180), MaxValueValidator(180)]
    )
    base_postcode = models.CharField(
        max_length=20, blank=True, help_text="Its zone is where ways begin when map points are not known."
    )
    travel_speed_kmh = models.PositiveSmallIntegerField(default=40)
    road_factor = models.DecimalField(
        max_digits=3,
        decimal_places=2,
        default=Decimal("1.30"),
        validators=[MinValueValidator(1), MaxValueValidator(3)],
        help_text="How much longer the road is than the straight line.",
    )
    travel_free_km = models.PositiveSmallIntegerField(default=30)
    travel_minutes_default = models.PositiveSmallIntegerField(
        default=20, help_text="Taken between two homes when the distance is not known."
    )
    setup_minutes = models.PositiveSmallIntegerField(default=10, help_text="Kept free before each visit.")
    shortest_visit_minutes = models.PositiveSmallIntegerField(
        default=45, help_text="A visit is never planned shorter than this."
    )
    notice_hours = models.PositiveSmallIntegerField(default=24, help_text="Earliest visit from now.")
    book_days_ahead = models.PositiveSmallIntegerField(
        default=60, help_text="Latest visit from now, in days."
    )
    proposal_hours = models.PositiveSmallIntegerField(
        default=48, help_text="A time that you propose is kept free this long for the answer."
    )
    hold_minutes = models.PositiveSmallIntegerField(
        default=20,
        validators=[MinValueValidator(1), MaxValueValidator(240)],
        help_text="A time is kept this long for a signed-in agent who is writing a request.",
    )
    holds_at_once = models.PositiveSmallIntegerField(
        default=2, help_text="Times kept for one mail address at once; 0: none are kept."
    )
    holds_a_day = models.PositiveSmallIntegerField(
        default=20, help_text="Times kept for one mail address within a day."
    )
    holds_a_day_from_network = models.PositiveSmallIntegerField(
        default=60, help_text="Times kept for one network address within a day."
    )
    access_note_days = models.PositiveSmallIntegerField(
        default=7, help_text="Access notes are wiped this many days after the visit."
    )
    reminder_hour = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        default=10,
        validators=[MaxValueValidator(23)],
        help_text="By your clock, on the day before the visit, 0 to 23. Empty: no reminders.",
    )
    sun_angle_deg = models.FloatField(
        default=90,
        validators=[MinValueValidator(10), MaxValueValidator(90)],
        help_text="A front counts as sunlit while the sun is this near to straight before it; 90: all round.",
    )
    sun_above_deg = models.FloatField(
        default=0,
        validators=[MinValueValidator(0), MaxValueValidator(60)],
        help_text="And this high above the horizon: more where hills or houses stand opposite.",
    )
    golden_from_deg = models.FloatField(default=6, validators=[MinValueValidator(0), MaxValueValidator(20)])
    golden_to_deg = models.FloatField(
        default=-4,
        validators=[MinValueValidator(-10), MaxValueValidator(0)],
        help_text="Under the horizon with a minus; here the blue light begins.",
    )
    blue_to_deg = models.FloatField(default=-6, validators=[MinValueValidator(-18), MaxValueValidator(0)])
    outside_minutes = models.PositiveSmallIntegerField(
        default=15, help_text="A free time is marked when its visit has this much of the light."
    )
    late_choices = models.CharField(
        max_length=40,
        default="10, 20, 30",
        validators=[validate_minutes],
        help_text="Minutes to choose from when you run late, with commas: one tap each.",
    )
    told_again_minutes = models.PositiveSmallIntegerField(
        default=10, help_text="The same word tapped again within so many minutes isn't sent twice."
    )
    told_fresh_minutes = models.PositiveSmallIntegerField(
        default=30, help_text="A word that a phone without signal sends later than this isn't passed on."
    )
    second_visit_minutes = models.PositiveSmallIntegerField(
        default=30,
        validators=[MinValueValidator(5)],
        help_text="Of a visit for outside pictures that were put off for the weather.",
    )
    second_visit_fee_minor = models.PositiveIntegerField(default=0)
    consent_text = models.TextField(
        blank=True, help_text="What a tenant is asked to agree to. Answers keep the text they were given to."
    )
    gallery_months = models.PositiveSmallIntegerField(default=12)
    preparation_guide = models.TextField(blank=True)
    set_up_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=models.Q(pk=1), name="one_business_row")]
        verbose_name_plural = "business"

    def __str__(self) -> str:
        return self.name or "The business"

    @classmethod
    def current(cls) -> Business:
        """Return the one row, made with defaults the first time."""
        row, _ = cls.objects.get_or_create(pk=1)
        return row

    @property
    def point(self) -> tuple[float, float] | None:
        """Where the business is: latitude and longitude in degrees, or None when not known."""
        if self.base_latitude_deg is None or self.base_longitude_deg is None:
            return None
        return self.base_latitude_deg, self.base_longitude_deg

    @property
    def late_minutes(self) -> list[int]:
        """What can be said with one tap when running late."""
        return [int(part) for part in self.late_choices.split(",")]

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)


class Terms(models.Model):
    """The terms of business in one version; a booking keeps the version that was accepted."""

    version = models.PositiveIntegerField(unique=True)
    text = models.TextField()
    cancel_free_hours = models.PositiveSmallIntegerField(default=24)
    published_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-version"]
        verbose_name_plural = "terms"

    def __str__(self) -> str:
        return f"terms, version {self.version}"

    @classmethod
    def current(cls) -> Terms | None:
        return cls.objects.first()
