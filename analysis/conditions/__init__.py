"""What trays and pots went through: light, air, warmth, floods, exposure."""
