"""A child found elsewhere than recorded: since when, perhaps; and units seen loose."""

import django.db.models.deletion
import trace.core.models
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("trace", "0003_errors_counts_and_sheets"),
    ]

    operations = [
        migrations.CreateModel(
            name="LooseSighting",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("at", trace.core.models.TickField()),
                ("recorded", trace.core.models.TickField()),
            ],
        ),
        migrations.AddField(
            model_name="fitting",
            name="doubted",
            field=trace.core.models.TickField(
                blank=True, help_text="it was found gone, and may have been gone since then", null=True
            ),
        ),
        migrations.AddField(
            model_name="fitting",
            name="earliest",
            field=trace.core.models.TickField(
                blank=True, help_text="it was found there, and may have been there since then", null=True
            ),
        ),
        migrations.AddIndex(
            model_name="fitting",
            index=models.Index(
                condition=models.Q(("holds", "unknown"), ("superseded", None)),
                fields=["since"],
                name="unknown_children",
            ),
        ),
        migrations.AddConstraint(
            model_name="fitting",
            constraint=models.CheckConstraint(
                condition=models.Q(("earliest", None), ("earliest__lte", models.F("since")), _connector="OR"),
                name="fitting_found_after_earliest",
            ),
        ),
        migrations.AddConstraint(
            model_name="fitting",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("doubted", None),
                    models.Q(
                        ("doubted__gte", models.F("since")),
                        ("doubted__lte", models.F("until")),
                        ("until__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="fitting_doubted_before_its_end",
            ),
        ),
        migrations.AddField(
            model_name="loosesighting",
            name="by",
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name="+", to="trace.person"),
        ),
        migrations.AddField(
            model_name="loosesighting",
            name="unit",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="sightings", to="trace.unit"
            ),
        ),
    ]
