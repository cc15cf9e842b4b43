"""Second visits for outside pictures that were put off for the weather."""

import django.core.validators
import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("studio", "0003_words_from_the_road")]

    operations = [
        migrations.AddField(
            model_name="booking",
            name="follows",
            field=models.ForeignKey(
                blank=True,
                help_text="The first visit, when this one is for the outside pictures that were put off.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="second_visits",
                to="studio.booking",
            ),
        ),
        migrations.AddField(
            model_name="business",
            name="second_visit_fee_minor",
            field=models.PositiveIntegerField(default=0),
        ),
        migrations.AddField(
            model_name="business",
            name="second_visit_minutes",
            field=models.PositiveSmallIntegerField(
                default=30,
                help_text="Of a visit for outside pictures that were put off for the weather.",
                validators=[django.core.validators.MinValueValidator(5)],
            ),
        ),
    ]
