"""The record on disk, and the only SQL for readings, hours, message numbers and quarantine."""
