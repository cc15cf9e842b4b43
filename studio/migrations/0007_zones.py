"""Zones by postcode, and the ways between them."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("studio", "0006_tenant_consents"),
    ]

    operations = [
        migrations.CreateModel(
            name="Zone",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.CharField(max_length=80, unique=True)),
                (
                    "prefixes",
                    models.JSONField(default=list, help_text="Beginnings of postcodes, no blanks, capitals."),
                ),
                (
                    "minutes",
                    models.PositiveSmallIntegerField(
                        blank=True, help_text="Of a way inside the zone; empty: not known.", null=True
                    ),
                ),
                (
                    "fee_minor",
                    models.PositiveIntegerField(
                        default=0, help_text="For a visit in the zone that the business starts from."
                    ),
                ),
                ("latitude_deg", models.FloatField(blank=True, null=True)),
                ("longitude_deg", models.FloatField(blank=True, null=True)),
            ],
            options={
                "ordering": ["name"],
            },
        ),
        migrations.AddField(
            model_name="business",
            name="base_postcode",
            field=models.CharField(
                blank=True,
                help_text="Its zone is where ways begin when map points are not known.",
                max_length=20,
            ),
        ),
        migrations.CreateModel(
            name="ZoneWay",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("minutes", models.PositiveSmallIntegerField()),
                ("fee_minor", models.PositiveIntegerField(default=0)),
                (
                    "goal",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="ways_in", to="studio.zone"
                    ),
                ),
                (
                    "start",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="ways_out", to="studio.zone"
                    ),
                ),
            ],
            options={
                "ordering": ["start__name", "goal__name"],
                "constraints": [models.UniqueConstraint(fields=("start", "goal"), name="zone_way_once")],
            },
        ),
    ]
