"""Where to count next."""
