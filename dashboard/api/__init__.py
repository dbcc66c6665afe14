"""The HTTP interface for other programs: read only, documented in OpenAPI, by role."""
