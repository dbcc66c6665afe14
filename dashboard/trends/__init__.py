"""What the trends page and the monthly summary show."""
