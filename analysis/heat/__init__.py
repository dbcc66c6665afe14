"""Heat of the surroundings and its doses."""
