"""One module a page: layout and callbacks."""
