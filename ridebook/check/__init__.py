"""Findings: what a check has to say of a session."""
