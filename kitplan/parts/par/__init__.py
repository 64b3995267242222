"""Par levels: the cheapest stock whose joint readiness holds."""
