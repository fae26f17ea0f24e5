"""Advice from an engine model: idle, brakes, reversion, spark ceilings, injection windows, and how sure it all is."""
