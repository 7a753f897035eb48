"""The process that records, and its threads."""
