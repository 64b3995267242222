"""A plan kept in its folder, and opened again whole."""
