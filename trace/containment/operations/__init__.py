"""What is done about an alarm."""
