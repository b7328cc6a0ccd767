"""Vehicle class schemes as data."""
