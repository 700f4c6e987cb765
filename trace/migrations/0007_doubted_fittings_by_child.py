"""Fittings found gone are few: looked for by child among themselves."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('trace', '0006_slack_as_it_grew'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='fitting',
            index=models.Index(condition=models.Q(('doubted__isnull', False)), fields=['child'], name='fittings_doubted'),
        ),
    ]
