from django.db import migrations, models

import trace.core.models

FILL = """
    UPDATE trace_span SET oldest = (
        SELECT min(other.first) FROM trace_span other
        WHERE other.feed_id = trace_span.feed_id AND other.superseded IS NULL
          AND other.first <= trace_span.first AND other."end" > trace_span.first
    ) WHERE superseded IS NULL
"""  # of what is superseded it stays 0: a bound that holds for every position


class Migration(migrations.Migration):

    dependencies = [
        ('trace', '0009_long_passes'),
    ]

    operations = [
        migrations.RemoveIndex(
            model_name='span',
            name='spans_of_feed',
        ),
        migrations.AddField(
            model_name='span',
            name='oldest',
            field=trace.core.models.TickField(default=0),
            preserve_default=False,
        ),
        migrations.RunSQL(FILL, migrations.RunSQL.noop),
        migrations.AddIndex(
            model_name='span',
            index=models.Index(condition=models.Q(('superseded', None)), fields=['feed', 'first'], include=('end', 'container', 'oldest'), name='spans_of_feed'),
        ),
        migrations.AddConstraint(
            model_name='span',
            constraint=models.CheckConstraint(condition=models.Q(('oldest__lte', models.F('first'))), name='span_oldest_first'),
        ),
    ]
