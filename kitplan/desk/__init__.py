"""The same plan in a browser, on this computer only. Calls the public API and the round; computes nothing itself."""
