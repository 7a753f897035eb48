"""A made-up nursery and its nodes, for the demo and the tests."""
