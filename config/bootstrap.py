"""Makes `.venv` from the pinned requirements and runs the command again inside it.

Standard library only, and no syntax newer than the oldest Python that should still get a clear sentence.
Errors: every one ends the process with a sentence that says what to do.
"""

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
VENV_PYTHON = VENV / "bin" / "python"
OLDEST = (3, 11)
# For images and machines whose owner installs the requirements: no environment is made or looked at.
AS_IS = "TRACE_PYTHON_AS_IS"
NEEDS_MORE = ("test", "benchmark")
"""Commands with a group of requirements of their own."""


def enter(argv):
    """Return when this process has what the command needs; otherwise provide it and replace the process."""
    if os.environ.get(AS_IS):
        return
    if sys.version_info < OLDEST:
        sys.exit(f"This needs Python {OLDEST[0]}.{OLDEST[1]} or newer; this is {sys.version.split()[0]}.")
    groups = ["run", *(command for command in argv[1:2] if command in NEEDS_MORE)]
    inside = Path(sys.prefix).resolve() == VENV.resolve()
    if not ready(groups):
        with alone():
            if not ready(groups):
                make(groups, keep=inside)
    if not inside:
        sys.stdout.flush()
        os.execv(str(VENV_PYTHON), [str(VENV_PYTHON), *argv])


def wanted(group):
    """The stamp of a group: it changes with the requirements and with the Python version."""
    pins = pinned(group).read_bytes()
    return f"{version()} {hashlib.sha256(pins).hexdigest()}"


def version():
    return f"{sys.version_info[0]}.{sys.version_info[1]}"


def pinned(group):
    return ROOT / "config" / "requirements" / f"{group}.txt"


def stamp(group):
    return VENV / f"stamp-{group}"


def read(path):
    try:
        return path.read_text()
    except OSError:
        return ""


def ready(groups):
    return VENV_PYTHON.exists() and all(read(stamp(group)) == wanted(group) for group in groups)


@contextmanager
def alone():
    """Two starts at once would write into one environment: the second waits."""
    try:
        import fcntl
    except ImportError:
        sys.exit(f"Set-up works on Linux and macOS. Elsewhere install {pinned('run')} yourself and set {AS_IS}=1.")
    with open(ROOT / ".venv.lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def make(groups, keep):
    """Install `groups`, the stamp last. `keep`: this very process runs in the environment, so it stays."""
    usable = VENV_PYTHON.exists() and read(stamp("run")).split(" ")[0] == version()
    if not (keep or usable):
        if not (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
            sys.exit("Python lacks its venv module here. On Debian or Ubuntu: apt-get install python3-venv")
        say(f"making .venv for Python {version()}")
        shutil.rmtree(VENV, ignore_errors=True)
        run([sys.executable, "-m", "venv", str(VENV)], f"Could not make {VENV}.")
    for group in groups:
        if read(stamp(group)) != wanted(group):
            say(f"installing what it needs to {group}")
            stamp(group).unlink(missing_ok=True)
            pip = [str(VENV_PYTHON), "-m", "pip", "install", "-qq", "--no-input", "--disable-pip-version-check"]
            run(
                [*pip, "--require-hashes", "-r", str(pinned(group))],
                "Could not install the requirements. Is there a network? The command may be run again.",
            )
            stamp(group).write_text(wanted(group))


def run(command, sentence):
    # A PYTHONPATH or a --user setting meant for another project must not reach into this environment.
    environ = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME", "PIP_USER", "PIP_TARGET")}
    if subprocess.run(command, env=environ, stdin=subprocess.DEVNULL).returncode:
        sys.exit(sentence)


def say(stage):
    print(f"set-up: {stage}", file=sys.stderr, flush=True)
