import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('trace', '0011_roles_and_tokens'),
    ]

    operations = [
        migrations.CreateModel(
            name='Placement',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('designator', models.CharField(max_length=60)),
                ('x', models.DecimalField(decimal_places=6, help_text="mm from the file's origin", max_digits=11)),
                ('y', models.DecimalField(decimal_places=6, help_text="mm from the file's origin", max_digits=11)),
                ('rotation', models.DecimalField(decimal_places=4, help_text='degrees within one turn', max_digits=7)),
                ('side', models.CharField(choices=[('top', 'top'), ('bottom', 'bottom')], max_length=6)),
                ('value', models.CharField(blank=True, help_text='as the file tells it', max_length=120)),
                ('do_not_place', models.BooleanField(default=False)),
                ('assembly', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='placements', to='trace.part')),
            ],
            options={
                'ordering': ['assembly', 'number'],
                'constraints': [models.UniqueConstraint(fields=('assembly', 'number'), name='placement_number_once'), models.UniqueConstraint(fields=('assembly', 'designator'), name='placement_designator_once'), models.CheckConstraint(condition=models.Q(('number__gt', 0)), name='placement_number_from_one'), models.CheckConstraint(condition=models.Q(('rotation__gte', 0), ('rotation__lt', 360)), name='placement_rotation_within_one_turn'), models.CheckConstraint(condition=models.Q(('side__in', ['top', 'bottom'])), name='placement_side_known')],
            },
        ),
    ]
