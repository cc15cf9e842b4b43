"""The figures that the light outside is marked by."""

import django.core.validators
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('studio', '0004_second_visits'),
    ]

    operations = [
        migrations.AddField(
            model_name='business',
            name='blue_to_deg',
            field=models.FloatField(default=-6, validators=[django.core.validators.MinValueValidator(-18), django.core.validators.MaxValueValidator(0)]),
        ),
        migrations.AddField(
            model_name='business',
            name='golden_from_deg',
            field=models.FloatField(default=6, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(20)]),
        ),
        migrations.AddField(
            model_name='business',
            name='golden_to_deg',
            field=models.FloatField(default=-4, help_text='Under the horizon with a minus; here the blue light begins.', validators=[django.core.validators.MinValueValidator(-10), django.core.validators.MaxValueValidator(0)]),
        ),
        migrations.AddField(
            model_name='business',
            name='outside_minutes',
            field=models.PositiveSmallIntegerField(default=15, help_text='A free time is marked when its visit has this much of the light.'),
        ),
        migrations.AddField(
            model_name='business',
            name='sun_above_deg',
            field=models.FloatField(default=0, help_text='And this high above the horizon: more where hills or houses stand opposite.', validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(60)]),
        ),
        migrations.AddField(
            model_name='business',
            name='sun_angle_deg',
            field=models.FloatField(default=90, help_text='A front counts as sunlit while the sun is this near to straight before it; 90: all round.', validators=[django.core.validators.MinValueValidator(10), django.core.validators.MaxValueValidator(90)]),
        ),
    ]
