"""Set-up on a fresh machine. Nothing is installed here: the commands it would run are caught."""

import threading
import time

import pytest

from config import bootstrap

pytestmark = pytest.mark.lint  # no database


@pytest.fixture
def machine(tmp_path, monkeypatch):
    """An empty checkout, and the list of commands that set-up ran in it."""
    pins = tmp_path / "config" / "requirements"
    pins.mkdir(parents=True)
    for group in ("run", "test", "benchmark"):
        (pins / f"{group}.txt").write_text(group)
    commands = []

    def run(command, sentence):
        commands.append(command[2])
        if command[2] == "venv":
            python = bootstrap.VENV_PYTHON
            python.parent.mkdir(parents=True)
            python.touch()

    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    monkeypatch.setattr(bootstrap, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(bootstrap, "VENV_PYTHON", tmp_path / ".venv" / "bin" / "python")
    monkeypatch.setattr(bootstrap, "run", run)
    monkeypatch.setattr(bootstrap.os, "execv", lambda program, argv: commands.append(argv[1:]))
    monkeypatch.delenv(bootstrap.AS_IS, raising=False)
    return commands


def test_makes_installs_and_hands_over_once(machine) -> None:
    bootstrap.enter(["manage.py", "demo"])
    assert machine == ["venv", "pip", ["manage.py", "demo"]]
    machine.clear()
    bootstrap.enter(["manage.py", "demo"])
    assert machine == [["manage.py", "demo"]]


@pytest.mark.parametrize("command", ["test", "benchmark"])
def test_only_a_command_with_a_group_of_its_own_installs_it(machine, command: str) -> None:
    bootstrap.enter(["manage.py", command, "-x"])
    assert machine == ["venv", "pip", "pip", ["manage.py", command, "-x"]]
    assert [group for group in ("test", "benchmark") if bootstrap.stamp(group).exists()] == [command]


def test_changed_pins_are_installed_again(machine) -> None:
    bootstrap.enter(["manage.py"])
    bootstrap.pinned("run").write_text("newer")
    machine.clear()
    bootstrap.enter(["manage.py"])
    assert machine == ["pip", ["manage.py"]]


def test_another_python_version_starts_afresh(machine, monkeypatch) -> None:
    bootstrap.enter(["manage.py"])
    left_over = bootstrap.VENV / "lib"
    left_over.touch()
    machine.clear()
    monkeypatch.setattr(bootstrap, "version", lambda: "9.9")
    bootstrap.enter(["manage.py"])
    assert machine[:2] == ["venv", "pip"]
    assert not left_over.exists()


def test_a_failed_install_leaves_no_stamp(machine, monkeypatch) -> None:
    bootstrap.enter(["manage.py"])
    bootstrap.pinned("run").write_text("newer")

    def fail(command, sentence):
        raise SystemExit(sentence)

    monkeypatch.setattr(bootstrap, "run", fail)
    with pytest.raises(SystemExit, match="Is there a network"):
        bootstrap.enter(["manage.py"])
    assert not bootstrap.stamp("run").exists()


def test_debian_without_venv_gets_the_package_named(machine, monkeypatch) -> None:
    monkeypatch.setattr(bootstrap.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(SystemExit, match="apt-get install python3-venv"):
        bootstrap.enter(["manage.py"])


def test_an_old_python_gets_a_sentence(machine, monkeypatch) -> None:
    monkeypatch.setattr(bootstrap, "OLDEST", (99, 0))
    with pytest.raises(SystemExit, match=r"needs Python 99\.0 or newer"):
        bootstrap.enter(["manage.py"])


def test_as_is_changes_nothing(machine, monkeypatch) -> None:
    monkeypatch.setenv(bootstrap.AS_IS, "1")
    bootstrap.enter(["manage.py"])
    assert machine == []


def test_of_two_starts_at_once_one_installs(machine, monkeypatch) -> None:
    run = bootstrap.run

    def slow(command, sentence):
        time.sleep(0.1)
        run(command, sentence)

    monkeypatch.setattr(bootstrap, "run", slow)
    starts = [threading.Thread(target=bootstrap.enter, args=[["manage.py"]]) for _ in range(2)]
    for start in starts:
        start.start()
    for start in starts:
        start.join()
    assert machine == ["venv", "pip", ["manage.py"], ["manage.py"]]
