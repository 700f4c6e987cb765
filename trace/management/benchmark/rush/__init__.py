"""A rush on the application server: stations that scan, engineers that ask, a machine that reports, all at once."""
