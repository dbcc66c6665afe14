"""The same computations kept up to date second by second."""
