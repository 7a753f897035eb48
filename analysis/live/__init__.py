"""Trays and alarms as they are now."""
