import django.db.models.deletion
from django.db import migrations, models

FILL = """
UPDATE trace_snapshotunit SET (part, outermost) = (
    SELECT part.key, unit.key = trace_snapshotunit.top
    FROM trace_unit unit JOIN trace_part part ON part.id = unit.part_id
    WHERE unit.id = trace_snapshotunit.unit_id
)
"""


class Migration(migrations.Migration):

    dependencies = [
        ('trace', '0045_quality_outlays'),
    ]

    operations = [
        migrations.AddField(
            model_name='snapshotunit',
            name='part',
            field=models.CharField(default='', max_length=40),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name='snapshotunit',
            name='outermost',
            field=models.BooleanField(default=True),
            preserve_default=False,
        ),
        migrations.AlterField(
            model_name='snapshotunit',
            name='snapshot',
            field=models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name='carriers', to='trace.snapshot'),
        ),
        migrations.AddIndex(
            model_name='snapshotunit',
            index=models.Index(fields=['snapshot', 'id'], name='snapshot_units_in_order'),
        ),
        migrations.RunSQL(FILL, migrations.RunSQL.noop),
    ]
