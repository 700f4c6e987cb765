"""The project's own benchmark: an invented plant's history, what a recall asks of it, and other ways to answer."""
