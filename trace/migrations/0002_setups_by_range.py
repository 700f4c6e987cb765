"""A pass draws under every set-up of its assembly that its range meets, instead of pointing at one."""

import django.db.models.deletion
from django.db import migrations, models
from django.db.models import Min, OuterRef, Subquery


def name_assemblies(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":  # else the rows' checks would still wait when the table changes
        schema_editor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    unit = apps.get_model("trace", "Unit").objects.filter(pk=OuterRef("unit"))
    apps.get_model("trace", "Pass").objects.update(assembly=Subquery(unit.values("part")[:1]))


def reach_back(apps, schema_editor):
    setups = apps.get_model("trace", "SetUp").objects
    for axis, assembly, first in setups.values_list("axis", "assembly").annotate(Min("first")):
        setups.filter(axis=axis, assembly=assembly, first=first).update(first=0)


class Migration(migrations.Migration):
    dependencies = [("trace", "0001_initial")]

    operations = [
        migrations.RemoveConstraint("pass", "pass_draws_on_an_axis"),
        migrations.RemoveIndex("pass", "passes_on_axis"),
        migrations.AddField(
            "pass",
            "assembly",
            models.ForeignKey(
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="trace.part",
            ),
        ),
        migrations.RunPython(name_assemblies, migrations.RunPython.noop),
        migrations.RunPython(reach_back, migrations.RunPython.noop),
        migrations.AlterField(
            "pass",
            "assembly",
            models.ForeignKey(
                db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name="+", to="trace.part"
            ),
        ),
        migrations.RemoveField("pass", "setup"),
        migrations.AddIndex(
            "pass",
            models.Index(
                condition=models.Q(axis__isnull=False),
                fields=["axis", "length_class", "first"],
                include=("last", "unit", "assembly"),
                name="passes_on_axis",
            ),
        ),
        migrations.AddIndex("setup", models.Index(fields=["axis", "assembly", "first"], name="setups_in_order")),
    ]
