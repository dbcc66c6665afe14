"""From results to screens: the live page, the review, the trends and the command line's root."""
