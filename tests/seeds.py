"""The seed of a run's random plants: of its own for every commit, so that many runs try many plants."""

from __future__ import annotations

import os
import subprocess

from django.conf import settings

FIXED = 1


def seed_of_commit() -> int:
    """PROOF_SEED in the environment, else one that follows from the commit, else a fixed one."""
    if given := os.environ.get("PROOF_SEED"):
        return int(given)
    found = subprocess.run(["git", "rev-parse", "HEAD"], cwd=settings.BASE_DIR, capture_output=True, text=True)
    return int(found.stdout[:6], 16) if found.returncode == 0 else FIXED
