"""From a checked Unit to what leaves the shelf: renewal counts, occupancy, recipes, scenarios."""
