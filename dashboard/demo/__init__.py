"""The demo's crew, scenario and past."""
