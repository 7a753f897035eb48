"""Trials, pots, weigh-ins, events and scales as facts, each with its history."""
