"""Findings: what an investigator or officer should look at, with evidence."""
