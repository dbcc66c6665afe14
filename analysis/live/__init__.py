"""The review's computations, kept up to date second by second."""
