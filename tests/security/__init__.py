"""Attacks from outside that must be refused, each named after what it tries."""
