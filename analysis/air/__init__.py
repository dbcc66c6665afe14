"""Real air, breathing and the forecast."""
