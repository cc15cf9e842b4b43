"""Times kept for a short while, and how many."""

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('studio', '0007_zones'),
    ]

    operations = [
        migrations.AddField(
            model_name='business',
            name='hold_minutes',
            field=models.PositiveSmallIntegerField(default=20, help_text='A time is kept this long for a signed-in agent who is writing a request.', validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(240)]),
        ),
        migrations.AddField(
            model_name='business',
            name='holds_a_day',
            field=models.PositiveSmallIntegerField(default=20, help_text='Times kept for one mail address within a day.'),
        ),
        migrations.AddField(
            model_name='business',
            name='holds_a_day_from_network',
            field=models.PositiveSmallIntegerField(default=60, help_text='Times kept for one network address within a day.'),
        ),
        migrations.AddField(
            model_name='business',
            name='holds_at_once',
            field=models.PositiveSmallIntegerField(default=2, help_text='Times kept for one mail address at once; 0: none are kept.'),
        ),
        migrations.CreateModel(
            name='Hold',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('starts_at', models.DateTimeField()),
                ('ends_at', models.DateTimeField()),
                ('held_until', models.DateTimeField()),
                ('created_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('postcode', models.CharField(blank=True, max_length=20)),
                ('latitude_deg', models.FloatField(blank=True, null=True)),
                ('longitude_deg', models.FloatField(blank=True, null=True)),
                ('client', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='holds', to='studio.client')),
                ('photographer', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='holds', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['held_until', 'pk'],
                'indexes': [models.Index(fields=['photographer', 'starts_at'], name='studio_hold_photogr_ebd16a_idx')],
            },
        ),
    ]
