"""People: staff who sign in by password, agents who sign in by a mailed link."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.db import models
from django.utils import timezone


class UserManager(BaseUserManager["User"]):
    """Staff accounts, found by mail address in any spelling of its case."""

    def create_user(self, email: str, password: str | None = None, **fields: Any) -> User:
        user = self.model(email=self.normalize_email(email).lower(), **fields)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> User:
        fields.update(is_superuser=True, role=User.Role.OWNER)
        return self.create_user(email, password, **fields)

    def get_by_natural_key(self, username: str | None) -> User:
        return self.get(email__iexact=username or "")


class User(AbstractBaseUser, PermissionsMixin):
    """A member of staff."""

    class Role(models.TextChoices):
        OWNER = "owner", "Owner"
        PHOTOGRAPHER = "photographer", "Photographer"
        EDITOR = "editor", "Editor"

    email = models.EmailField(unique=True)
    name = models.CharField(max_length=120)
    role = models.CharField(max_length=16, choices=Role.choices, default=Role.PHOTOGRAPHER)
    phone = models.CharField(max_length=40, blank=True)
    is_active = models.BooleanField(default=True)
    joined_at = models.DateTimeField(default=timezone.now)
    calendar_generation = models.PositiveIntegerField(
        default=1, help_text="Raised to make the calendar feed's old address useless."
    )

    objects = UserManager()

    USERNAME_FIELD = "email"
    REQUIRED_FIELDS = ["name"]

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name or self.email

    @property
    def is_staff(self) -> bool:
        """The admin site is the owner's."""
        return self.is_superuser or self.role == self.Role.OWNER

    @property
    def is_owner(self) -> bool:
        return self.role == self.Role.OWNER

    @property
    def can_photograph(self) -> bool:
        return self.role in (self.Role.OWNER, self.Role.PHOTOGRAPHER)

    def get_full_name(self) -> str:
        return self.name

    def get_short_name(self) -> str:
        return self.name.split(" ")[0]


class Agency(models.Model):
    """A firm of agents; its invoices may go to one address for all of them."""

    name = models.CharField(max_length=160, unique=True)
    billing_email = models.EmailField(blank=True)
    billing_address = models.TextField(blank=True)
    country_code = models.CharField(max_length=2, blank=True)
    tax_id = models.CharField(max_length=40, blank=True)
    notes = models.TextField(blank=True)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "agencies"

    def __str__(self) -> str:
        return self.name


class Client(models.Model):
    """An agent who books, opens galleries and is billed (or whose agency is)."""

    class Release(models.TextChoices):
        AT_ONCE = "at_once", "Files at once"
        WHEN_PAID = "when_paid", "Files when the invoice is paid, previews until then"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    agency = models.ForeignKey(
        Agency, null=True, blank=True, on_delete=models.PROTECT, related_name="clients"
    )
    name = models.CharField(max_length=120)
    email = models.EmailField(unique=True)
    phone = models.CharField(max_length=40, blank=True)
    address = models.TextField(blank=True)
    country_code = models.CharField(max_length=2, blank=True)
    tax_id = models.CharField(max_length=40, blank=True)
    price_list = models.ForeignKey("PriceList", null=True, blank=True, on_delete=models.SET_NULL)
    payment_days = models.PositiveSmallIntegerField(null=True, blank=True)
    release = models.CharField(max_length=16, choices=Release.choices, default=Release.AT_ONCE)
    is_known = models.BooleanField(
        default=False, help_text="Bookings of a known client are agreed at once when the time is free."
    )
    notes = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return f"{self.name}, {self.agency}" if self.agency else self.name

    @property
    def billing_name(self) -> str:
        return self.agency.name if self.agency else self.name

    @property
    def billing_email(self) -> str:
        return (self.agency.billing_email if self.agency else "") or self.email


class SignInLink(models.Model):
    """A mailed link that signs an agent in once; the page behind it has one button, whose POST uses it up."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    client = models.ForeignKey(Client, on_delete=models.CASCADE, related_name="sign_in_links")
    next_path = models.CharField(max_length=300, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"sign-in link for {self.client}"

    def is_open(self, now: Any) -> bool:
        return self.used_at is None and now < self.expires_at
