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
REQUIREMENTS = ROOT / "config" / "requirements"
OLDEST = (3, 11)
# For images and machines whose owner installs the requirements: no environment is made or looked at.
AS_IS = "TRACE_PYTHON_AS_IS"


def enter(argv):
    """Return when this process has what the command needs; otherwise provide it and replace the process."""
    if os.environ.get(AS_IS):
        return
    if sys.version_info < OLDEST:
        sys.exit("This needs Python %d.%d or newer; this is %s." % (*OLDEST, sys.version.split()[0]))
    groups = ["run", "test"] if argv[1:2] == ["test"] else ["run"]
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
    pins = (REQUIREMENTS / (group + ".txt")).read_bytes()
    return "%s %s" % (version(), hashlib.sha256(pins).hexdigest())


def version():
    return "%d.%d" % sys.version_info[:2]


def stamp(group):
    return VENV / ("stamp-" + group)


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
        sys.exit("Set-up by manage.py works on Linux and macOS. Elsewhere install " + str(REQUIREMENTS / "run.txt")
                 + " yourself and set " + AS_IS + "=1.")
    with open(ROOT / ".venv.lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def make(groups, keep):
    """Install `groups`, the stamp last. `keep`: this very process runs in the environment, so it stays."""
    usable = VENV_PYTHON.exists() and read(stamp("run")).split(" ")[0] == version()
    if not (keep or usable):
        if not (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
            sys.exit("Python lacks its venv module here. On Debian or Ubuntu: apt-get install python3-venv")
        say("making .venv for Python " + version())
        shutil.rmtree(VENV, ignore_errors=True)
        run([sys.executable, "-m", "venv", str(VENV)], "Could not make " + str(VENV) + ".")
    for group in groups:
        if read(stamp(group)) != wanted(group):
            say("installing what it needs to " + group)
            stamp(group).unlink(missing_ok=True)
            pip = [str(VENV_PYTHON), "-m", "pip", "install", "-qq", "--no-input", "--disable-pip-version-check"]
            run([*pip, "--require-hashes", "-r", str(REQUIREMENTS / (group + ".txt"))],
                "Could not install the requirements. Is there a network? The command may be run again.")
            stamp(group).write_text(wanted(group))


def run(command, sentence):
    # A PYTHONPATH or a --user setting meant for another project must not reach into this environment.
    environ = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME", "PIP_USER", "PIP_TARGET")}
    if subprocess.run(command, env=environ, stdin=subprocess.DEVNULL).returncode:
        sys.exit(sentence)


def say(stage):
    print("set-up: " + stage, file=sys.stderr, flush=True)
