"""Period counts: intake, days, checks."""
