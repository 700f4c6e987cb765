"""A span says of which axis its feed is, so that what gives somewhere on an axis is found in one place."""

import django.db.models.deletion
from django.db import migrations, models
from django.db.models import OuterRef, Subquery


def name_axes(apps, schema_editor):
    feed = apps.get_model("trace", "Feed").objects.filter(pk=OuterRef("feed"))
    apps.get_model("trace", "Span").objects.update(axis=Subquery(feed.values("axis")[:1]))


class Migration(migrations.Migration):
    dependencies = [("trace", "0047_holds_by_key")]

    operations = [
        migrations.AddField(
            "span",
            "axis",
            models.ForeignKey(
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="trace.axis",
            ),
        ),
        migrations.RunPython(name_axes, migrations.RunPython.noop),
        migrations.AlterField(
            "span",
            "axis",
            models.ForeignKey(
                db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name="+", to="trace.axis"
            ),
        ),
        migrations.AddIndex(
            "span",
            models.Index(
                condition=models.Q(superseded=None),
                fields=["axis", "end", "feed", "first", "container"],
                name="spans_of_axis",
            ),
        ),
    ]
