"""Arrays, times, columns and plain words; knows no trays."""
