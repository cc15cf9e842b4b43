"""How often and how late "on my way" and "running late" are passed on."""

from django.db import migrations, models

import studio.models.business


class Migration(migrations.Migration):
    dependencies = [("studio", "0002_reminders")]

    operations = [
        migrations.AddField(
            model_name="business",
            name="late_choices",
            field=models.CharField(
                default="10, 20, 30",
                help_text="Minutes to choose from when you run late, with commas: one tap each.",
                max_length=40,
                validators=[studio.models.business.validate_minutes],
            ),
        ),
        migrations.AddField(
            model_name="business",
            name="told_again_minutes",
            field=models.PositiveSmallIntegerField(
                default=10, help_text="The same word tapped again within so many minutes isn't sent twice."
            ),
        ),
        migrations.AddField(
            model_name="business",
            name="told_fresh_minutes",
            field=models.PositiveSmallIntegerField(
                default=30,
                help_text="A word that a phone without signal sends later than this isn't passed on.",
            ),
        ),
    ]
