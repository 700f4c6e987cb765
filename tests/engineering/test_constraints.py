"""Every constraint of the engineering models, broken on purpose: the database itself refuses."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from types import SimpleNamespace

import pytest
from django.apps import apps
from django.db import IntegrityError, models, transaction

from tests.factories import make_person, moment
from trace.engineering.equipment import Calibration, CheckPiece, Equipment, Program
from trace.engineering.models import (
    BomLine,
    Characteristic,
    Designator,
    HourlyRate,
    PackingLine,
    PanelPlace,
    Part,
    Placement,
    Qualification,
    Qualified,
    QualityOutlay,
    SerialRule,
    Site,
    StandardCost,
    Station,
    Step,
    Substitute,
)
from trace.engineering.shifts import DayOff, Shift

pytestmark = pytest.mark.django_db

WHEN = datetime(2026, 11, 2, 8, tzinfo=UTC)
NOW = datetime(2026, 3, 1, tzinfo=UTC)
PLACEMENT = {"number": 1, "designator": "U1", "x": 0, "y": 0, "rotation": 0, "side": "top"}


@pytest.fixture
def plant(db) -> SimpleNamespace:
    site = Site.objects.create(key="S", name="s")
    station = Station.objects.create(key="ST", name="s", site=site)
    board = Part.objects.create(key="B", number="B", revision="A", name="b", kind="assembly", level=1)
    chip = Part.objects.create(key="C", number="C", name="c")
    line = BomLine.objects.create(parent=board, child=chip, parent_level=1, child_level=0, number=1, quantity=1)
    Designator.objects.create(parent=board, line=line, name="U1")
    Placement.objects.create(**PLACEMENT, assembly=board)
    Substitute.objects.create(line=line, part=chip)
    Step.objects.create(part=board, number=10, name="s")
    solder = Qualification.objects.create(key="Q", name="q")
    bob, ann = make_person("BOB"), make_person("ANN")
    Qualified.objects.create(person=bob, qualification=solder, since=moment(1), vouched_by=ann)
    Characteristic.objects.create(part=board, step_number=10, number=1, name="c", unit_of_measure="V", lower=1)
    PanelPlace.objects.create(panel=board, number=1, board=chip, x=0, y=0, rotation=0)
    PackingLine.objects.create(product=board, part=board, quantity=1)
    StandardCost.objects.create(part=chip, since=WHEN.date(), standard_cost=1, replace_minutes=0)
    HourlyRate.objects.create(station=station, since=WHEN.date(), rate_per_hour=1)
    return SimpleNamespace(
        site=site, station=station, board=board, chip=chip, line=line, solder=solder, bob=bob, ann=ann
    )


def station(plant, **changed):
    Station.objects.create(**{"key": "NEW", "name": "s", "site": plant.site, **changed})


def part(plant, **changed):
    Part.objects.create(**{"key": "NEW", "number": "NEW", "name": "n", **changed})


def line(plant, **changed):
    sound = {
        "parent": plant.board,
        "child": plant.chip,
        "parent_level": 1,
        "child_level": 0,
        "number": 2,
        "quantity": 1,
    }
    BomLine.objects.create(**{**sound, **changed})


def designator(plant, **changed):
    Designator.objects.create(**{"parent": plant.board, "line": plant.line, "name": "U2", **changed})


def placement(plant, **changed):
    Placement.objects.create(**{**PLACEMENT, "assembly": plant.board, "number": 2, "designator": "U2", **changed})


def step(plant, **changed):
    Step.objects.create(**{"part": plant.board, "number": 20, "name": "s", **changed})


def characteristic(plant, **changed):
    sound = {"step_number": 10, "number": 2, "name": "height", "unit_of_measure": "mm", "lower": 1, "upper": 9}
    Characteristic.objects.create(**{"part": plant.board, **sound, **changed})


def serial_rule(plant, **changed):
    SerialRule.objects.create(**{"number": "B", "digits": 5, **changed})


def panel_place(plant, **changed):
    sound = {"number": 2, "x": 0, "y": 0, "rotation": 0}
    PanelPlace.objects.create(**{"panel": plant.board, "board": plant.chip, **sound, **changed})


def packed(plant, **changed):
    PackingLine.objects.create(**{"product": plant.board, "part": plant.chip, "quantity": 1, **changed})


def packed_again(plant, **changed):
    packed(plant, part=plant.board)


def cost(plant, **changed):
    sound = {"since": WHEN.date() + timedelta(days=1), "standard_cost": 1, "replace_minutes": 0}
    StandardCost.objects.create(**{"part": plant.chip, **sound, **changed})


def rate(plant, **changed):
    sound = {"since": WHEN.date() + timedelta(days=1), "rate_per_hour": 1}
    HourlyRate.objects.create(**{"station": plant.station, **sound, **changed})


def outlay(plant, **changed):
    sound = {"day": WHEN.date(), "heading": "prevention", "words": "training", "amount": 1, "recorded": 1}
    QualityOutlay.objects.create(**{"by": plant.bob, **sound, **changed})


def qualified(plant, **changed):
    told = {"person": plant.bob, "qualification": plant.solder, "since": moment(2), "until": moment(3)}
    Qualified.objects.create(**{**told, "vouched_by": plant.ann, **changed})


def vouched_by_themselves(plant):
    qualified(plant, vouched_by=plant.bob)


def shift(plant, **changed):
    Shift.objects.create(
        **{"name": "x", "weekdays": ["Monday"], "begins": "06:00", "ends": "14:00", "since": "2026-03-02", **changed}
    )


def second_shift(plant, **changed):
    shift(plant)
    shift(plant, **changed)


def day_off(plant, **changed):
    DayOff.objects.create(day="2026-03-02", name="x")
    DayOff.objects.create(
        **{"day": "2026-03-02", "name": "y", "withdrawn": datetime(2026, 3, 1, tzinfo=UTC), **changed}
    )


def equipment(plant, **changed):
    return Equipment.objects.create(**{"key": "HV-9", "name": "x", "kind": "tester", "calibrate_every": 1, **changed})


def calibration(plant, **changed):
    plant.by = plant.ann
    told = {"at": NOW, "passed": True, "due": "2026-03-02", "by": plant.by, "recorded": NOW}
    Calibration.objects.create(**{"equipment": equipment(plant), **told, **changed})


def piece(plant, **changed):
    CheckPiece.objects.create(**{"key": "GOOD-1", "name": "x", "kind": "tester", "good": True, **changed})


def piece_of_one(plant, **changed):
    piece(plant, **{"kind": "", "equipment": equipment(plant), **changed})


def program(plant, **changed):
    Program.objects.create(key="P-1", kind="tester", name="x", revision="1")
    Program.objects.create(**{"key": "P-2", "kind": "tester", "name": "x", "revision": "2", **changed})


def programmed_step(plant, **changed):
    program(plant)
    step(plant, **{"equipment_kind": "tester", "program": Program.objects.get(key="P-1"), **changed})


BREACHES: list[tuple[str, Callable, dict]] = [
    ("station_rate_not_negative", station, {"rate_per_hour": Decimal("-0.0001")}),
    ("yield_limit_in_percent", station, {"yield_limit": 0}),
    ("yield_limit_in_percent", station, {"yield_limit": Decimal("100.01")}),
    ("part_number_and_revision", part, {"number": "B", "revision": "A"}),
    ("part_costs_not_negative", part, {"standard_cost": Decimal("-0.000001")}),
    ("part_costs_not_negative", part, {"replace_minutes": Decimal("-0.01")}),
    ("part_moisture_level_known", part, {"moisture_level": "7"}),
    ("part_has_its_time_on_label", part, {"moisture_level": "6"}),
    ("part_has_its_time_on_label", part, {"moisture_level": "6", "time_on_label": 0}),
    ("part_has_its_time_on_label", part, {"moisture_level": "5a", "time_on_label": 12}),
    ("part_has_its_time_on_label", part, {"time_on_label": 12}),
    ("part_shelf_life_positive", part, {"shelf_life": 0}),
    ("part_level_fits_kind", part, {"kind": "assembly", "level": 0}),
    ("part_level_fits_kind", part, {"kind": "component", "level": 1}),
    ("part_level_fits_kind", part, {"kind": "pet", "level": 1}),
    ("bom_line_number_once", line, {"number": 1}),
    ("bom_quantity_positive", line, {"quantity": 0}),
    ("bom_quantity_positive", line, {"quantity": -1}),
    ("bom_child_level_below_parent", line, {"child_level": 1}),
    ("designator_once_per_assembly", designator, {"name": "U1"}),
    ("designator_quantity_positive", designator, {"quantity": 0}),
    ("placement_number_once", placement, {"number": 1}),
    ("placement_designator_once", placement, {"designator": "U1"}),
    ("placement_number_from_one", placement, {"number": 0}),
    ("placement_rotation_within_one_turn", placement, {"rotation": 360}),
    ("placement_rotation_within_one_turn", placement, {"rotation": Decimal("-0.0001")}),
    ("placement_side_known", placement, {"side": "inside"}),
    ("qualified_for_some_time", qualified, {"until": moment(2)}),
    ("nobody_vouches_for_themselves", vouched_by_themselves, {}),
    ("qualified_since_a_moment_once", qualified, {"since": moment(1)}),
    ("qualified_without_end_once", qualified, {"until": None}),
    ("step_number_once_per_route", step, {"number": 10}),
    ("step_minutes_not_negative", step, {"minutes": Decimal("-0.001")}),
    ("part_released_is_built_here", part, {"released": WHEN}),
    ("part_takes_effect_in_one_way", part, {"effective_from": WHEN, "effective_serial": "B-7"}),
    ("step_is_free_or_alternative_not_both", step, {"free_order": "A", "alternative": "B"}),
    ("step_samples_some", step, {"sample_every": 1}),
    ("step_allows_an_attempt", step, {"attempts": 0}),
    ("characteristic_number_once", characteristic, {"number": 1}),
    ("characteristic_measured_or_judged", characteristic, {"judge": "inspector"}),
    ("characteristic_measured_or_judged", characteristic, {"unit_of_measure": ""}),
    ("characteristic_measured_or_judged", characteristic, {"lower": None, "upper": None}),
    ("characteristic_measured_or_judged", characteristic, {"unit_of_measure": "", "judge": "inspector"}),
    ("characteristic_limits_in_order", characteristic, {"lower": 9, "upper": 9}),
    ("characteristic_limits_in_order", characteristic, {"target": 10}),
    ("characteristic_limits_in_order", characteristic, {"target": 0}),
    ("serial_has_digits", serial_rule, {"digits": 0}),
    ("serial_has_digits", serial_rule, {"digits": 13}),
    ("packed_part_once", packed_again, {}),
    ("packed_quantity_positive", packed, {"quantity": 0}),
    ("panel_place_once", panel_place, {"number": 1}),
    ("panel_place_from_one", panel_place, {"number": 0}),
    ("panel_rotation_within_one_turn", panel_place, {"rotation": 360}),
    ("one_standard_cost_a_day", cost, {"since": WHEN.date()}),
    ("standard_cost_not_negative", cost, {"standard_cost": -1}),
    ("standard_cost_not_negative", cost, {"replace_minutes": -1}),
    ("one_hourly_rate_a_day", rate, {"since": WHEN.date()}),
    ("hourly_rate_not_negative", rate, {"rate_per_hour": -1}),
    ("quality_outlay_of_some_money", outlay, {"amount": 0}),
    ("quality_outlay_says_for_what", outlay, {"words": ""}),
    ("one_shift_of_a_name", second_shift, {"until": None}),
    ("shift_holds_forward", shift, {"until": "2026-03-01"}),
    ("day_off_once", day_off, {"withdrawn": None}),
    ("equipment_has_a_kind", equipment, {"kind": ""}),
    ("calibration_interval_up_to_ten_years", equipment, {"calibrate_every": 0}),
    ("calibration_interval_up_to_ten_years", equipment, {"calibrate_every": 3661}),
    ("what_passed_calibration_has_a_due_date", calibration, {"due": None}),
    ("what_passed_calibration_has_a_due_date", calibration, {"passed": False}),
    ("check_piece_of_a_kind_or_of_one", piece, {"kind": ""}),
    ("check_piece_of_a_kind_or_of_one", piece_of_one, {"kind": "tester"}),
    ("program_revision_once_for_a_kind", program, {"revision": "1"}),
    ("step_program_runs_on_equipment", programmed_step, {"equipment_kind": ""}),
    ("substitute_once_per_line", lambda plant: Substitute.objects.create(line=plant.line, part=plant.chip), {}),
]
UPKEEP = [equipment, calibration, piece, piece_of_one, program, programmed_step]
CONSTRAINTS: dict[str, tuple[type[models.Model], models.BaseConstraint]] = {
    constraint.name: (model, constraint)
    for model in apps.get_app_config("trace").get_models()
    if model.__module__.startswith("trace.engineering.")
    if model.__module__.startswith("trace.engineering.")
    for constraint in model._meta.constraints
}


@pytest.mark.parametrize(("name", "make", "changed"), BREACHES)
def test_the_database_refuses(plant, name, make, changed):
    with pytest.raises(IntegrityError) as refused, transaction.atomic():
        make(plant, **changed)
    model, constraint = CONSTRAINTS[name]
    columns = [f"{model._meta.db_table}.{model._meta.get_field(f).column}" for f in getattr(constraint, "fields", ())]
    # SQLite names a unique constraint by its columns.
    assert name in str(refused.value) or (columns and ", ".join(columns) in str(refused.value))


@pytest.mark.parametrize(
    "make",
    [
        station,
        part,
        line,
        designator,
        placement,
        step,
        characteristic,
        packed,
        panel_place,
        cost,
        rate,
        outlay,
        qualified,
        shift,
        day_off,
        *UPKEEP,
    ],
)
def test_the_same_without_the_breach_is_accepted(plant, make):
    make(plant)


def test_every_constraint_is_tried():
    assert {name for name, _, _ in BREACHES} == set(CONSTRAINTS)


@pytest.mark.parametrize(("make", "key"), [(station, "ST"), (part, "B")])
def test_a_key_is_unique_among_its_kind(plant, make, key):
    with pytest.raises(IntegrityError), transaction.atomic():
        make(plant, key=key)
