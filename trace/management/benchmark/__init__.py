"""The project's own benchmark: an invented plant's history, the questions a recall asks, and other ways to answer them."""
