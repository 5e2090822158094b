"""Alarms: what asks a person to act, and what became of it."""
