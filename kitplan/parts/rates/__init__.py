"""How often securements are renewed, learnt from the unit's log."""
