"""Words, units, times and errors that every folder uses; no input or output."""
