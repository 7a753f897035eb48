"""Readings and hours sent to InfluxDB 2, and read from it."""
