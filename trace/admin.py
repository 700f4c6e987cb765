"""Master data in Django's admin. No rule lives here: what has a rule is changed by its operation."""
