"""REST under /api/v1/: every operation, everything on record, and the answers. No rule lives here."""
