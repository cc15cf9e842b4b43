"""Reminders the day before a visit."""

import django.core.validators
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("studio", "0001_initial")]

    operations = [
        migrations.AddField(
            model_name="business",
            name="reminder_hour",
            field=models.PositiveSmallIntegerField(
                blank=True,
                default=10,
                help_text="By your clock, on the day before the visit, 0 to 23. Empty: no reminders.",
                null=True,
                validators=[django.core.validators.MaxValueValidator(23)],
            ),
        ),
        migrations.AddField(
            model_name="booking",
            name="reminded_for",
            field=models.DateTimeField(
                blank=True, help_text="The time of the visit that the reminder was sent for.", null=True
            ),
        ),
    ]
