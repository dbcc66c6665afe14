"""What the live page shows: rows, words, the feed behind it, the desk's messages."""
