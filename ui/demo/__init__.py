"""The made-up nursery on stage."""
