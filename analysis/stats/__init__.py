"""General statistics, held to R in the tests; knows no records and no treatments."""
