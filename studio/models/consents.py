"""What tenants said about pictures of their home."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.utils import timezone

from .frozen import FrozenModel


class Consent(FrozenModel):
    """One answer of a tenant, written once: who, when, how, and to which text. The last answer counts."""

    class How(models.TextChoices):
        LINK = "link", "on the page behind the link"
        PAPER = "paper", "in writing, on paper"
        MAIL = "mail", "by mail"
        SPOKEN = "spoken", "by word of mouth"

    booking = models.ForeignKey("Booking", on_delete=models.CASCADE, related_name="consents")
    is_given = models.BooleanField()
    name = models.CharField(max_length=120, help_text="Who answered.")
    how = models.CharField(max_length=8, choices=How.choices)
    answered_on = models.DateField()
    text = models.TextField(help_text="What was agreed to, word for word.")
    note = models.CharField(max_length=300, blank=True)
    recorded_at = models.DateTimeField(default=timezone.now)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["-recorded_at", "-pk"]

    def __str__(self) -> str:
        return f"{'yes' if self.is_given else 'no'} of {self.name}"

    @property
    def words(self) -> str:
        """The record in a sentence."""
        day = f"{self.answered_on.day} {self.answered_on:%B %Y}"
        return f"{self.name} {'agreed' if self.is_given else 'said no'}, {self.get_how_display()}, {day}"
