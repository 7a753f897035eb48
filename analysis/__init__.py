"""From a record to answers: pure functions on frames, the record read in one folder only."""
