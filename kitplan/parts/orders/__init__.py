"""The weekly round: counts, orders, labels."""
