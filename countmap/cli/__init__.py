"""The command line; nothing heavy is imported at start."""
