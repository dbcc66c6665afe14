"""The archive on disk: journal, parts, manifest, index, reading, tidying, verifying."""
