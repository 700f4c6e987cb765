"""What the slack of an axis was on any day. What it was before counts as known ever since."""

import django.db.models.deletion
import trace.core.clock
import trace.core.models
from django.db import migrations, models


def keep_slack(apps, schema_editor):
    slacks = apps.get_model("trace", "AxisSlack").objects
    slacks.bulk_create(
        slacks.model(axis=axis, slack=axis.slack, recorded=0)
        for axis in apps.get_model("trace", "Axis").objects.filter(slack__gt=0)
    )


class Migration(migrations.Migration):
    dependencies = [
        ("trace", "0005_when_it_was_recorded"),
    ]

    operations = [
        migrations.CreateModel(
            name="AxisSlack",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("slack", trace.core.models.TickField()),
                ("recorded", trace.core.models.TickField(default=trace.core.clock.now_ticks)),
                (
                    "axis",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="slacks", to="trace.axis"
                    ),
                ),
            ],
        ),
        migrations.RunPython(keep_slack, migrations.RunPython.noop),
    ]
