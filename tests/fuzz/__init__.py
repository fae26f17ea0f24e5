"""Harnesses that search for input which breaks a promise; what they found is kept in ``found``."""
