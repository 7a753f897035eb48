"""General statistics, held to R in the tests; no trays, no sentences."""
