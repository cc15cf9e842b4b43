"""What tenants said about pictures of their home."""

import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("studio", "0005_sun")]

    operations = [
        migrations.AddField(
            model_name="business",
            name="consent_text",
            field=models.TextField(
                blank=True,
                default="",
                help_text="What a tenant is asked to agree to. Answers keep the text they were given to.",
            ),
            preserve_default=False,
        ),
        migrations.CreateModel(
            name="Consent",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("is_given", models.BooleanField()),
                ("name", models.CharField(help_text="Who answered.", max_length=120)),
                (
                    "how",
                    models.CharField(
                        choices=[
                            ("link", "on the page behind the link"),
                            ("paper", "in writing, on paper"),
                            ("mail", "by mail"),
                            ("spoken", "by word of mouth"),
                        ],
                        max_length=8,
                    ),
                ),
                ("answered_on", models.DateField()),
                ("text", models.TextField(help_text="What was agreed to, word for word.")),
                ("note", models.CharField(blank=True, max_length=300)),
                ("recorded_at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "booking",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="consents",
                        to="studio.booking",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={"ordering": ["-recorded_at", "-pk"]},
        ),
    ]
