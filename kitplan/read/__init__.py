"""Files become checked, frozen values. Knows nothing of demand, solvers or spreadsheets that go out."""
