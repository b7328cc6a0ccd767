"""Annual averages with their intervals."""
