"""When a fact, and each change of a row, was recorded. What was there before counts as known ever since."""

import trace.core.clock
import trace.core.models
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("trace", "0004_children_found_elsewhere"),
    ]

    operations = [
        migrations.AddField(
            model_name="consignment",
            name="recorded",
            field=trace.core.models.TickField(default=0),
        ),
        migrations.AlterField(
            model_name="consignment",
            name="recorded",
            field=trace.core.models.TickField(default=trace.core.clock.now_ticks),
        ),
        migrations.AddField(
            model_name="container",
            name="gone_recorded",
            field=trace.core.models.TickField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="container",
            name="recorded",
            field=trace.core.models.TickField(default=0),
        ),
        migrations.AlterField(
            model_name="container",
            name="recorded",
            field=trace.core.models.TickField(default=trace.core.clock.now_ticks),
        ),
        migrations.AddField(
            model_name="hold",
            name="release_recorded",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="pass",
            name="bounded",
            field=trace.core.models.TickField(
                blank=True, help_text="when the scan that bounds it was recorded", null=True
            ),
        ),
        migrations.AddField(
            model_name="setup",
            name="ended",
            field=trace.core.models.TickField(blank=True, help_text="when its end was recorded", null=True),
        ),
        migrations.AddField(
            model_name="setup",
            name="recorded",
            field=trace.core.models.TickField(default=0),
        ),
        migrations.AlterField(
            model_name="setup",
            name="recorded",
            field=trace.core.models.TickField(default=trace.core.clock.now_ticks),
        ),
        migrations.AddField(
            model_name="shipment",
            name="departure_recorded",
            field=trace.core.models.TickField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="tape",
            name="finished",
            field=trace.core.models.TickField(blank=True, help_text="when the count was recorded", null=True),
        ),
        migrations.AddField(
            model_name="tape",
            name="planned",
            field=models.PositiveIntegerField(
                blank=True, help_text="board sets planned before they were counted", null=True
            ),
        ),
        migrations.AddField(
            model_name="tape",
            name="recorded",
            field=trace.core.models.TickField(default=0),
        ),
        migrations.AlterField(
            model_name="tape",
            name="recorded",
            field=trace.core.models.TickField(default=trace.core.clock.now_ticks),
        ),
        migrations.AddField(
            model_name="unit",
            name="by_designator_recorded",
            field=trace.core.models.TickField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="unit",
            name="recorded",
            field=trace.core.models.TickField(default=0),
        ),
        migrations.AlterField(
            model_name="unit",
            name="recorded",
            field=trace.core.models.TickField(default=trace.core.clock.now_ticks),
        ),
        migrations.AddField(
            model_name="unit",
            name="scrap_recorded",
            field=trace.core.models.TickField(blank=True, null=True),
        ),
        migrations.AlterField(
            model_name="pass",
            name="closed",
            field=trace.core.models.TickField(blank=True, help_text="when its outcome was recorded", null=True),
        ),
    ]
