"""What holds for the whole repository: its layout, its layers, its pins, its style."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from packaging.requirements import Requirement

import trace

ROOT = Path(settings.BASE_DIR)
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
PINS = ROOT / "config" / "requirements"
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "manage.py",
    "config",
    "trace",
    "templates",
    "tests",
    "fixtures",
}


def tracked(*patterns: str) -> list[Path]:
    listing = subprocess.run(["git", "ls-files", "-z", "--", *patterns], cwd=ROOT, capture_output=True, text=True)
    if listing.returncode:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"git lists no files: {listing.stderr}")
    return [Path(name) for name in listing.stdout.split("\0") if name]


def test_trace_is_ours_and_not_pythons() -> None:
    assert Path(trace.__file__).parent == ROOT / "trace"


@pytest.mark.lint
def test_top_level_holds_only_its_fixed_names() -> None:
    assert {name for path in tracked() if not (name := path.parts[0]).startswith(".")} <= TOP_LEVEL


@pytest.mark.lint
def test_no_file_is_too_long_to_read_in_one_go() -> None:
    files = [path for path in tracked("trace/*.py", "config/*.py") if "migrations" not in path.parts]
    # A file that git still lists may be gone from the work tree.
    lengths = {str(path): len((ROOT / path).read_text().splitlines()) for path in files if (ROOT / path).exists()}
    assert {path: length for path, length in lengths.items() if length > 400} == {}


@pytest.mark.lint
def test_rules_ask_neither_the_database_nor_the_clock() -> None:
    files = [*ROOT.glob("trace/*/rules.py"), *ROOT.glob("trace/*/rules/**/*.py")]
    asking = re.compile(r"\.objects\b|\bconnection\b|\bnow\(|\btoday\(|\btime\.time\b")
    assert [str(path) for path in files if asking.search(path.read_text())] == []


# Style, types, layers ------------------------------------------------------------------------------------------------


@pytest.mark.lint
@pytest.mark.parametrize(
    "command",
    [
        [sys.executable, "-m", "ruff", "check", "--quiet"],
        [sys.executable, "-m", "ruff", "format", "--check", "--quiet"],
        [sys.executable, "-m", "mypy"],
        [str(Path(sys.executable).with_name("lint-imports"))],
    ],
    ids=["ruff", "format", "types", "layers"],
)
def test_source(command: list[str]) -> None:
    found = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    if found.returncode:
        pytest.fail(found.stdout + found.stderr, pytrace=False)


def ranks() -> dict[str, int]:
    """Area to its layer's number, 0 at the bottom, from the contract that the imports are checked against."""
    layers = PROJECT["tool"]["importlinter"]["contracts"][0]["layers"]
    return {area.strip(" ()"): number for number, layer in enumerate(reversed(layers)) for area in layer.split("|")}


@pytest.mark.lint
def test_foreign_keys_point_to_the_same_or_a_lower_area() -> None:
    def area(model: type) -> str:
        return model.__module__.split(".")[1]

    rank, wrong = ranks(), []
    for model in apps.get_app_config("trace").get_models(include_auto_created=True):
        for field in model._meta.get_fields():
            target = field.related_model if field.is_relation and not field.auto_created else None
            if not isinstance(target, type) or target._meta.app_label != "trace" or area(target) == area(model):
                continue
            if rank[area(target)] >= rank[area(model)]:
                wrong.append(f"{field} points up or sideways")
            if not field.remote_field.hidden:
                wrong.append(f'{field} needs related_name="+"')
    assert wrong == []


@pytest.mark.django_db
def test_no_migration_is_missing(capsys) -> None:
    try:
        call_command("makemigrations", "--check", "--dry-run")
    except SystemExit:
        pytest.fail(capsys.readouterr().out, pytrace=False)


# Pins ----------------------------------------------------------------------------------------------------------------


@pytest.mark.lint
@pytest.mark.parametrize("group", ["run", "test", "benchmark"])
def test_pins_name_no_address_and_have_hashes(group: str) -> None:
    pin, digest = r"[\w.-]+==[\w.!+]+( ; [\w .<>='!]+)? \\", r" {4}--hash=sha256:[0-9a-f]{64}( \\)?"
    for line in (PINS / f"{group}.txt").read_text().splitlines():
        assert re.fullmatch(f"{pin}|{digest}", line)


@pytest.mark.lint
@pytest.mark.parametrize("group", ["run", "test", "benchmark"])
def test_pins_satisfy_what_the_project_asks_for(group: str) -> None:
    asked = PROJECT["project"]["dependencies"] if group == "run" else PROJECT["dependency-groups"][group]
    pinned: dict[str, set[str]] = {}
    for line in (PINS / f"{group}.txt").read_text().splitlines():
        if "==" in line and not line.startswith(" "):
            pin = Requirement(line.removesuffix("\\"))
            pinned.setdefault(pin.name, set()).update(part.version for part in pin.specifier)
    for requirement in map(Requirement, asked):
        assert pinned.get(requirement.name), f"{requirement.name} is not pinned"
        assert all(map(requirement.specifier.contains, pinned[requirement.name]))
